package avr

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(need.Tool(t, name), args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}

func TestCppcheck(t *testing.T) {
	need.Tool(t, "cppcheck")
	root, err := Root()
	require.NoError(t, err)
	run(t, "make", "--silent", "-C", filepath.Join(root, "firmware"), "check")
}

// function is one function of the image: what it calls, and how deep its own frame is.
type function struct {
	calls    map[string]bool
	indirect bool
	frame    int // bytes, with what a call to it pushes
}

var (
	labelLine = regexp.MustCompile(`^[0-9a-f]+ <([^>]+)>:$`)
	callLine  = regexp.MustCompile(`\t(call|rcall|jmp|rjmp)\t.*<([^>+]+)(\+0x[0-9a-f]+)?>`)
	pushLine  = regexp.MustCompile(`\tpush\t`)
	frameLine = regexp.MustCompile(`\t(sbiw|subi)\tr28, 0x([0-9a-fA-F]+)`)
	baseLine  = regexp.MustCompile(`\tin\tr29, 0x3e`) // the stack pointer: what follows makes a frame
	hereLine  = regexp.MustCompile(`\trcall\t\.\+0\b`)
)

// functions reads the disassembly: depths as the code makes them, not as the compiler says.
func functions(t *testing.T) map[string]*function {
	list := map[string]*function{}
	var f *function
	var own string
	base := false
	for line := range strings.Lines(run(t, "avr-objdump", "-d", Build(t).ELF)) {
		line = strings.TrimRight(line, "\n")
		if m := labelLine.FindStringSubmatch(line); m != nil {
			own = m[1]
			f = &function{calls: map[string]bool{}, frame: 2} // the return address
			list[own] = f
			continue
		}
		if f == nil {
			continue
		}
		if m := callLine.FindStringSubmatch(line); m != nil && m[2] != own {
			f.calls[m[2]] = true
		}
		switch {
		case strings.Contains(line, "\ticall") || strings.Contains(line, "\tijmp"):
			f.indirect = true
		case pushLine.MatchString(line):
			f.frame++
		case hereLine.MatchString(line): // room for two bytes, in one instruction
			f.frame += 2
		case baseLine.MatchString(line):
			base = true
		}
		if m := frameLine.FindStringSubmatch(line); m != nil && base {
			n, err := strconv.ParseInt(m[2], 16, 32)
			require.NoError(t, err)
			f.frame += int(n)
			base = false
		}
	}
	return list
}

// depth is the deepest that the stack gets in a function. Recursion has none.
func depth(t *testing.T, list map[string]*function, name string, path []string) int {
	t.Helper()
	f := list[name]
	if f == nil {
		return 0
	}
	for _, p := range path {
		require.NotEqual(t, p, name, "recursion: %v", path)
	}
	deepest := 0
	for called := range f.calls {
		deepest = max(deepest, depth(t, list, called, append(path, name)))
	}
	return f.frame + deepest
}

// reached are all functions that can run below one.
func reached(list map[string]*function, name string, into map[string]bool) {
	if f := list[name]; f != nil && !into[name] {
		into[name] = true
		for called := range f.calls {
			reached(list, called, into)
		}
	}
}

// The worst stack: the deepest of the main loop and the deepest interrupt on top of it, since none interrupts another.
func TestStack(t *testing.T) {
	list := functions(t)
	deepest, which := 0, ""
	for name, f := range list {
		if strings.HasPrefix(name, "__vector_") {
			if d := depth(t, list, name, nil); d > deepest {
				deepest, which = d, name
			}
		}
		if name != "__vectors" && name != "__do_copy_data" {
			assert.False(t, f.indirect, "%s calls what cannot be known here", name)
		}
	}
	main := depth(t, list, "main", nil)
	end := symbol(t, "_end")
	free := 0x900 - end
	t.Logf("worst stack: main loop %d + %s %d = %d bytes of %d free", main, which, deepest, main+deepest, free)
	require.Less(t, main+deepest, free)

	h := start(t)
	r := rnd(11)
	for range 40 {
		h.try(r, program(r, between(r, 100_000, 20_000_000), r.Perm(6)[:3]), true)
		h.clear()
	}
	measured := free - h.StackLeft(end)
	t.Logf("deepest seen in 40 shots with traffic and a storm: %d bytes", measured)
	assert.LessOrEqual(t, measured, main+deepest, "deeper than computed")
}

// No interrupt is left to another: none switches them on again before it returns.
func TestInterruptsDoNotNest(t *testing.T) {
	list := functions(t)
	body := map[string][]string{}
	own := ""
	for line := range strings.Lines(run(t, "avr-objdump", "-d", Build(t).ELF)) {
		if m := labelLine.FindStringSubmatch(strings.TrimSpace(line)); m != nil {
			own = m[1]
		}
		body[own] = append(body[own], line)
	}
	below := map[string]bool{}
	for name := range list {
		if strings.HasPrefix(name, "__vector_") {
			reached(list, name, below)
		}
	}
	assert.Contains(t, below, "board_accept", "the search finds what an interrupt does")
	for name := range below {
		assert.NotRegexp(t, `(?m)\tsei\b`, strings.Join(body[name], ""), name)
		assert.NotRegexp(t, `__(u?div|u?mod)`, name, "an interrupt divides")
		assert.NotEqual(t, "delay_for", name, "an interrupt reads the table")
		assert.NotEqual(t, "scale", name)
	}
	for name := range list {
		assert.NotRegexp(t, `__(u?div|u?mod)`, name, "the firmware divides: only the table's long division may")
	}
}

// The image fits beside a boot loader of 2 KB.
func TestSize(t *testing.T) {
	var text, data, bss int
	lines := strings.Split(run(t, "avr-size", Build(t).ELF), "\n")
	_, err := fmt.Sscan(lines[1], &text, &data, &bss)
	require.NoError(t, err)
	t.Logf("flash %d of 32768 bytes, memory %d of 2048", text+data, data+bss)
	assert.Less(t, text+data, 32768-2048)
}

// Each compiler's report has a bounded frame: nothing is allocated that grows.
func TestFramesAreStatic(t *testing.T) {
	reports, err := filepath.Glob(filepath.Join(Build(t).Dir, "*.su"))
	require.NoError(t, err)
	require.NotEmpty(t, reports)
	for _, path := range reports {
		f, err := os.Open(path)
		require.NoError(t, err)
		for s := bufio.NewScanner(f); s.Scan(); {
			assert.True(t, strings.HasSuffix(s.Text(), "\tstatic"), s.Text())
		}
		f.Close()
	}
}

// The host finds the version in the image.
func TestNameInImage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "image")
	run(t, "avr-objcopy", "-O", "binary", Build(t).ELF, path)
	image, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Regexp(t, `m328p \d+\.\d+\x00`, string(image))
}
