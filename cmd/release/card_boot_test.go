//go:build card

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
	"stillwater/internal/need"
	"stillwater/internal/page/pagetest"
)

// bootPatience is how long an emulated machine may take for anything. It is no limit that is checked: what takes so
// long has not happened.
const bootPatience = 40 * time.Minute

// cardImage unpacks the image that STILLWATER_CARD names, if it is packed.
func cardImage(t *testing.T) string {
	t.Helper()
	packed := os.Getenv("STILLWATER_CARD")
	if packed == "" {
		need.Missing(t, "no image of a card: go run ./cmd/release --only image, then name the file in STILLWATER_CARD")
	}
	if filepath.Ext(packed) != ".xz" {
		return packed
	}
	image := filepath.Join(t.TempDir(), "card.img")
	out, err := os.Create(image)
	require.NoError(t, err)
	defer out.Close()
	unpack := exec.CommandContext(t.Context(), need.Tool(t, "xz"), "--decompress", "--stdout", packed)
	unpack.Stdout = out
	require.NoError(t, unpack.Run())
	return image
}

// emulated is a machine that has started from the disk.
type emulated struct {
	t       *testing.T
	cmd     *exec.Cmd
	console string // a file
	control string // QEMU's own socket
	port    int    // of this machine, for the page
	ended   chan struct{}
}

// boot switches a machine on: UEFI, one memory card, a network cable by which the page is reached and nothing else, and
// what more has. It has one processor: on a busy host two wait for each other. trial is a script that is run in it when
// it has started, through what systemd takes from an emulated machine's firmware; "" none. The image knows nothing of
// it.
func boot(t *testing.T, socket, trial string, more ...string) *emulated {
	t.Helper()
	dir := t.TempDir()
	m := &emulated{t: t, console: filepath.Join(dir, "console"), control: filepath.Join(dir, "qmp"), port: freePort(t),
		ended: make(chan struct{})}
	// The serial console is for messages, also the kernel's about errors, and for what the trial says: nobody logs in
	// there, which would hang it up.
	// kpti=off: with page tables of its own the kernel would empty the emulator's cache of addresses at each system call.
	kernel := "console=ttyAMA0 loglevel=4 systemd.show_status=no systemd.mask=serial-getty@ttyAMA0.service kpti=off"
	args := []string{"-M", "virt", "-cpu", "cortex-a72", "-smp", "1", "-m", "1024",
		"-bios", firmwareFile(t), "-nodefaults", "-display", "none", "-device", "virtio-rng-pci",
		"-drive", "if=none,id=card,format=raw,cache=writeback,file=nbd+unix:///?socket=" + socket,
		"-device", "virtio-blk-pci,drive=card", "-netdev",
		fmt.Sprintf("user,id=cable,restrict=on,hostfwd=tcp:127.0.0.1:%d-:8737", m.port),
		"-device", "virtio-net-pci,netdev=cable,romfile=",
		"-serial", "file:" + m.console, "-qmp", "unix:" + m.control + ",server=on,wait=off"}
	if trial != "" {
		unit := filepath.Join(dir, "unit")
		require.NoError(t, os.WriteFile(unit, []byte(trialUnit), 0o600))
		args = append(args, "-fw_cfg", "name=opt/io.systemd.credentials/systemd.extra-unit.t.service,file="+unit,
			"-fw_cfg", "name=opt/io.systemd.credentials/trial,file="+trial)
		kernel += " systemd.wants=t.service"
	}
	args = append(args, more...)
	args = append(args, "-smbios", "type=11,value=io.systemd.boot.kernel-cmdline-extra="+kernel)
	m.cmd = exec.Command(need.Tool(t, "qemu-system-aarch64"), args...)
	m.start()
	return m
}

// start runs the emulator until the power is cut.
func (m *emulated) start() {
	m.t.Helper()
	m.cmd.Stdout, m.cmd.Stderr = os.Stderr, os.Stderr
	require.NoError(m.t, m.cmd.Start())
	go func() {
		defer close(m.ended)
		_ = m.cmd.Wait()
	}()
	m.t.Cleanup(m.cutPower)
}

// findings is what the trial inside said.
func (m *emulated) findings() []string {
	return regexp.MustCompile(`TRIAL (ok|FAILED|note) [^\r\n]*`).FindAllString(m.said(), -1)
}

// trialUnit is t.service: QEMU lets a name of what it hands over have 55 letters.
const trialUnit = `[Unit]
After=multi-user.target stillwater.service
[Service]
Type=oneshot
LoadCredential=trial
ExecStart=/bin/bash ${CREDENTIALS_DIRECTORY}/trial
StandardOutput=file:/dev/ttyAMA0
StandardError=inherit
`

// firmwareFile is UEFI for the emulated machine.
func firmwareFile(t *testing.T) string {
	t.Helper()
	const path = "/usr/share/qemu-efi-aarch64/QEMU_EFI.fd"
	if _, err := os.Stat(path); err != nil {
		need.Missing(t, "no UEFI for the emulated machine: apt install qemu-efi-aarch64")
	}
	return path
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// cutPower switches the machine off without asking it.
func (m *emulated) cutPower() {
	_ = m.cmd.Process.Kill()
	<-m.ended
}

// standStill holds the machine up, as a host with other work does, or a slow card.
func (m *emulated) standStill(length time.Duration) {
	m.t.Helper()
	require.NoError(m.t, m.cmd.Process.Signal(unix.SIGSTOP))
	time.Sleep(length)
	require.NoError(m.t, m.cmd.Process.Signal(unix.SIGCONT))
}

// said is all that came on the serial console.
func (m *emulated) said() string {
	text, _ := os.ReadFile(m.console)
	return string(text)
}

func (m *emulated) running() bool {
	select {
	case <-m.ended:
		return false
	default:
		return true
	}
}

// wait waits until something has happened, or the machine has ended.
func (m *emulated) wait(what string, done func() bool) {
	m.t.Helper()
	for end := time.Now().Add(bootPatience); !done(); {
		if !m.running() || time.Now().After(end) {
			m.t.Fatalf("never seen: %s; the console said:\n%s", what, m.said())
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// screenshot writes the attached screen as a picture (PPM).
func (m *emulated) screenshot(path string) {
	m.t.Helper()
	c, err := net.Dial("unix", m.control)
	require.NoError(m.t, err)
	defer c.Close()
	answers := bufio.NewScanner(c)
	for _, ask := range []string{"", `{"execute":"qmp_capabilities"}`,
		fmt.Sprintf(`{"execute":"screendump","arguments":{"filename":%q}}`, path)} {
		if ask != "" {
			_, err := fmt.Fprintln(c, ask)
			require.NoError(m.t, err)
		}
		for answers.Scan() && !regexp.MustCompile(`"(QMP|return|error)"`).MatchString(answers.Text()) {
		}
	}
	require.NotContains(m.t, answers.Text(), `"error"`)
}

// pageAddress is how a phone opens the page.
const pageAddress = "http://stillwater.local:8737"

// dial connects to the machine, whatever the address: this machine's own names lead elsewhere.
func (m *emulated) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	return new(net.Dialer).DialContext(ctx, "tcp", fmt.Sprintf("127.0.0.1:%d", m.port))
}

func (m *emulated) client() *http.Client {
	return &http.Client{Transport: &http.Transport{DialContext: m.dial, DisableKeepAlives: true}, Timeout: time.Minute}
}

// get gets something from the page, with a phone's cookie; "" is none.
func (m *emulated) get(path, cookie string) (string, error) {
	ask, err := http.NewRequest(http.MethodGet, pageAddress+path, nil)
	if err != nil {
		return "", err
	}
	ask.Header.Set("Cookie", cookie)
	answer, err := m.client().Do(ask)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", answer.Status, text)
	}
	return string(text), err
}

// untilPage waits for the page.
func (m *emulated) untilPage() {
	m.t.Helper()
	m.wait("the page", func() bool {
		text, err := m.get("/", "")
		return err == nil && strings.Contains(text, "<title>Stillwater")
	})
}

// pair pairs a phone and returns its cookie.
func (m *emulated) pair(code string) string {
	m.t.Helper()
	ask, err := http.NewRequest(http.MethodPost, pageAddress+"/pair", strings.NewReader(fmt.Sprintf(`{"code":%q}`, code)))
	require.NoError(m.t, err)
	ask.Header.Set("Content-Type", "application/json")
	ask.Header.Set("Origin", pageAddress)
	answer, err := m.client().Do(ask)
	require.NoError(m.t, err)
	answer.Body.Close()
	require.Equal(m.t, http.StatusNoContent, answer.StatusCode)
	require.Len(m.t, answer.Cookies(), 1)
	return answer.Cookies()[0].Name + "=" + answer.Cookies()[0].Value
}

// cardPhone is a paired phone with the page open. Like the page it connects anew when the connection is lost.
type cardPhone struct {
	m      *emulated
	cookie string
	ws     *websocket.Conn
	screen pagetest.Screen
	sent   int64
	last   *control.Snapshot
	anew   int // how often it connected anew
}

func (m *emulated) open(cookie string) (*cardPhone, error) {
	p := &cardPhone{m: m, cookie: cookie}
	return p, p.connect()
}

func (p *cardPhone) connect() error {
	dialer := websocket.Dialer{NetDialContext: p.m.dial, HandshakeTimeout: time.Minute}
	ws, answer, err := dialer.Dial(strings.Replace(pageAddress, "http", "ws", 1)+"/ws",
		http.Header{"Origin": {pageAddress}, "Cookie": {p.cookie}})
	if err != nil && answer != nil {
		err = fmt.Errorf("%w: %s", err, answer.Status)
	}
	p.ws, p.screen, p.last = ws, pagetest.Screen{}, nil
	return err
}

// errLost ends what was done over a connection that is lost. The machine drops a phone that it has not heard for four
// seconds, so each time that the emulator stands still for so long.
var errLost = errors.New("the connection is lost")

func (p *cardPhone) read() (pagetest.Message, error) {
	_ = p.ws.SetReadDeadline(time.Now().Add(2 * time.Minute))
	_, data, err := p.ws.ReadMessage()
	if err != nil {
		return pagetest.Message{}, fmt.Errorf("%w: %w", errLost, err)
	}
	m, err := p.screen.Take(data)
	if m.Snapshot != nil {
		p.last = m.Snapshot
	}
	return m, err
}

// do carries out a command; the error says why not.
func (p *cardPhone) do(c control.Command) error {
	for p.last == nil {
		if _, err := p.read(); err != nil {
			return err
		}
	}
	p.sent++
	c.Epoch = p.last.Epoch
	text, err := json.Marshal(struct {
		N int64 `json:"n"`
		control.Command
	}{p.sent, c})
	if err != nil {
		return err
	}
	if err := p.ws.WriteMessage(websocket.TextMessage, text); err != nil {
		return fmt.Errorf("%w: %w", errLost, err)
	}
	for {
		m, err := p.read()
		if err != nil {
			return err
		}
		if m.Re == p.sent && (m.Type == "done" || m.Type == "refused") {
			if m.Refusal != nil {
				return fmt.Errorf("%s: %s %s", c.Type, m.Refusal.Why, m.Refusal.Remedy)
			}
			return nil
		}
	}
}

// until reads until a snapshot is as wanted.
func (p *cardPhone) until(wanted func(*control.Snapshot) bool) error {
	for p.last == nil || !wanted(p.last) {
		if _, err := p.read(); err != nil {
			return err
		}
	}
	return nil
}

// overAnyConnection does something, and once more over a new connection whenever the old one is lost, as long as the
// machine has power.
func (p *cardPhone) overAnyConnection(do func() error) error {
	err := do()
	for errors.Is(err, errLost) && p.m.running() {
		p.anew++
		if err = p.connect(); err == nil {
			err = do()
		}
	}
	return err
}

// ready takes the controls and ticks the checklist.
func (p *cardPhone) ready() error { return p.overAnyConnection(p.readyOnce) }

func (p *cardPhone) readyOnce() error {
	if err := p.until(func(s *control.Snapshot) bool { return s.Board.Connected }); err != nil {
		return err
	}
	if err := p.do(control.Command{Type: "take"}); err != nil {
		return err
	}
	for _, c := range p.last.Care {
		if err := p.do(control.Command{Type: "care", ID: c.ID, Ticked: true}); err != nil {
			return err
		}
	}
	return nil
}

// shoot makes one shot in the simulated room and returns when the page shows it, which is when it is on record.
func (p *cardPhone) shoot() error {
	before, anew := p.last.ShotCount, p.anew
	return p.overAnyConnection(func() error {
		if p.anew > anew { // whatever was half done is ended
			if err := p.readyOnce(); err != nil {
				return err
			}
			if p.last.State != control.Safe {
				if err := p.do(control.Command{Type: "disarm"}); err != nil {
					return err
				}
			}
			if p.last.ShotCount > before {
				return nil
			}
		}
		return p.shootOnce()
	})
}

func (p *cardPhone) shootOnce() error {
	before := p.last.ShotCount
	if err := p.do(control.Command{Type: "arm", Shots: 1}); err != nil {
		return err
	}
	if err := p.until(func(s *control.Snapshot) bool { return s.State == control.Armed }); err != nil {
		return err
	}
	if err := p.do(control.Command{Type: "room"}); err != nil {
		return err
	}
	return p.until(func(s *control.Snapshot) bool { return s.ShotCount > before && s.State == control.Safe })
}

// recorded counts the shots on record, of all evenings.
func (m *emulated) recorded(cookie string) (shots int) {
	m.t.Helper()
	text, err := m.get("/record/sessions", cookie)
	require.NoError(m.t, err)
	var answer struct {
		Sessions []struct{ Shots int }
		Next     int64
		Problem  string
	}
	require.NoError(m.t, json.Unmarshal([]byte(text), &answer))
	require.Zero(m.t, answer.Next, "all sessions fit in one answer")
	require.Empty(m.t, answer.Problem)
	for _, s := range answer.Sessions {
		shots += s.Shots
	}
	return shots
}

// The very image, started as a board would start it: its services, its own network by an emulated radio, the code on
// screen and card, and a shot. testdata/card.sh has the findings inside; STILLWATER_PICTURES names a folder for what
// the screen shows.
func TestCardBoots(t *testing.T) {
	d := newDisk(t, cardImage(t))
	began := time.Now()
	m := boot(t, d.serve(t), "testdata/card.sh", "-device", "virtio-gpu-pci") // a screen
	m.untilPage()
	t.Logf("the page after %v", time.Since(began).Round(time.Second))
	m.wait("the end of the trial", func() bool { return strings.Contains(m.said(), "TRIAL done") })
	t.Logf("%s", strings.Join(m.findings(), "\n"))
	script, err := os.ReadFile("testdata/card.sh")
	require.NoError(t, err)
	assert.Equal(t, strings.Count(string(script), "\ncheck \""), strings.Count(m.said(), "TRIAL ok "))
	assert.NotContains(t, m.said(), "TRIAL FAILED")

	code := regexp.MustCompile(`TRIAL note code (\S+)`).FindStringSubmatch(m.said())
	require.Len(t, code, 2)
	p, err := m.open(m.pair(code[1]))
	require.NoError(t, err)
	require.NoError(t, p.ready())
	require.NoError(t, p.shoot())
	t.Logf("a shot: %+v", p.last.Shots[0])
	const more = 10
	before := d.blocksWritten()
	for range more {
		require.NoError(t, p.shoot())
	}
	t.Logf("%d more shots: %d blocks of %d bytes written; the phone connected anew %d times", more,
		d.blocksWritten()-before, diskBlock, p.anew)

	anew := p.anew
	m.standStill(6 * time.Second)
	require.NoError(t, p.shoot(), "after it stood still for longer than a phone may be silent")
	t.Logf("it stood still; the phone connected anew %d times, and made a shot", p.anew-anew)
	if folder := os.Getenv("STILLWATER_PICTURES"); folder != "" {
		m.screenshot(filepath.Join(folder, "card-screen.ppm"))
	}
}

// The power is cut at random moments, while it starts and while it makes shots, and of what the system did not flush
// about half is lost. The next start is a whole one: the page, the phone that was paired, every shot that was shown.
// CARD_CUTS in the environment is how often (30), CARD_SEED the seed.
func TestCardSurvivesPowerCuts(t *testing.T) {
	cuts, seed := number(t, "CARD_CUTS", 30), number(t, "CARD_SEED", 20261129)
	chance := rand.New(rand.NewPCG(uint64(seed), 1))
	d := newDisk(t, cardImage(t))
	socket := d.serve(t)
	began := time.Now()
	m := boot(t, socket, "testdata/code.sh")
	m.untilPage()
	start := time.Since(began)
	m.wait("the code", func() bool { return strings.Contains(m.said(), "TRIAL done") })
	cookie := m.pair(regexp.MustCompile(`TRIAL note code (\S+)`).FindStringSubmatch(m.said())[1])
	shown, starting := 0, 0
	for cut := range cuts + 1 {
		recorded := m.recorded(cookie)
		require.GreaterOrEqual(t, recorded, shown, "cut %d: every shot that was shown is on record", cut)
		require.LessOrEqual(t, recorded, shown+1, "cut %d: and one that nobody saw any more at most", cut)
		require.NotRegexp(t, `EXT4-fs error|SQUASHFS error|I/O error|nothing is kept|can't be read`, m.said())
		shown = recorded
		if cut == cuts {
			break
		}
		p, err := m.open(cookie)
		require.NoError(t, err, "cut %d: the phone is paired", cut)
		require.NoError(t, p.ready())
		timer := time.AfterFunc(time.Duration(chance.Int64N(int64(20*time.Second))), m.cutPower)
		for p.shoot() == nil {
			shown++
		}
		timer.Stop()
		m.cutPower()
		d.cut(chance)
		if chance.IntN(2) == 0 { // once more, on the way up
			starting++
			m = boot(t, socket, "")
			after := time.Duration(chance.Int64N(int64(start)))
			t.Logf("cut %d: on the way up after %v", cut+1, after.Round(time.Second))
			time.AfterFunc(after, m.cutPower)
			<-m.ended
			d.cut(chance)
		}
		began = time.Now()
		m = boot(t, socket, "")
		m.untilPage()
		t.Logf("cut %d: %d shots; the page after %v; %d blocks lost and %d kept so far", cut+1, shown,
			time.Since(began).Round(time.Second), d.lost, d.survived)
	}
	t.Logf("%d cuts while shooting and %d while starting, seed %d: %d shots; of %d flushes' rest %d blocks lost, %d kept",
		cuts, starting, seed, shown, d.flushes, d.lost, d.survived)
}

func number(t *testing.T, name string, usual int) int {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return usual
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err)
	return n
}
