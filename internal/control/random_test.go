package control

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/care"
	"stillwater/internal/need"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// evening is a table at which everything happens in any order, watched by rules that must always hold.
type evening struct {
	*harness
	r        *rand.Rand
	leaves   map[string][]func(time.Time)
	boxes    map[string][]<-chan *Snapshot // of the connections that leaves end
	hidden   map[<-chan *Snapshot]bool
	holder   string
	unseen   time.Time // since when the holder's phone is not seen; zero: it is
	asked    time.Time // when something was armed or measured last
	armedSet *shot.Set
	armed    int
	refusals int
	away     int // times that nobody saw a holder's phone for longer than the grace
	dry      int // armings of dry runs
}

var clients = []string{"phone 1", "phone 2", "phone 3"}

// watch checks a snapshot against the rules.
func (e *evening) watch(s *Snapshot) {
	t := e.t
	switch s.State {
	case Armed, Firing, Resting:
		assert.True(t, s.CareDone, "armed without the checklist")
		assert.True(t, s.Board.Connected, "armed without a board")
		if assert.NotNil(t, e.armedSet) {
			kept := s.Set
			kept.Trim = e.armedSet.Trim
			assert.Equal(t, *e.armedSet, kept, "more than the trim changed while armed")
		}
	default:
		assert.Zero(t, s.ArmedLeft)
		assert.False(t, s.NeedsGo)
	}
	assert.NotEmpty(t, s.Reason)
	assert.Equal(t, s.Preview == nil, s.Refusal != nil)
	assert.LessOrEqual(t, len(s.Shots), shotsShown)
	for i, made := range s.Shots {
		assert.NotZero(t, made.ID, "shown and not in the journal")
		assert.Equal(t, s.ShotCount-i, made.Number)
	}
	if s.State != Safe && s.State != Fault && s.ArmedEnds != 0 {
		assert.Less(t, s.ArmedEnds, time.Now().Add(defaultArmFor+time.Second).UnixMilli())
	}
}

// settle waits until nothing moves and checks that board and control agree.
func (e *evening) settle() {
	synctest.Wait()
	s := e.Snapshot()
	e.watch(s)
	if s.Board.Connected {
		active := slices.Contains([]wire.StateCode{wire.Armed, wire.Firing, wire.Resting}, e.dev.now())
		shown := slices.Contains([]State{Armed, Firing, Resting}, s.State)
		assert.Equal(e.t, active, shown, "the board is %v, shown is %s", e.dev.now(), s.State)
	}
	e.watchHolder(s)
}

// watchHolder checks that nothing is armed, nor the camera released, for a holder who is not seen for longer than the
// grace.
func (e *evening) watchHolder(s *Snapshot) {
	seen := slices.ContainsFunc(e.boxes[s.Holder], func(box <-chan *Snapshot) bool { return !e.hidden[box] })
	assert.Equal(e.t, s.Holder != "" && !seen, s.Away)
	switch {
	case !s.Away:
		e.unseen = time.Time{}
	case e.unseen.IsZero() || s.Holder != e.holder:
		e.unseen = time.Now()
	case time.Since(e.unseen) > defaultGrace && time.Since(e.asked) > defaultGrace:
		e.away++
		assert.Contains(e.t, []State{Safe, Fault}, s.State, "not seen since %v", e.unseen)
		assert.False(e.t, s.Lag.Running, "not seen since %v", e.unseen)
	}
	e.holder = s.Holder
}

func (e *evening) someCommand() Command {
	pick := func(list ...string) string { return list[e.r.IntN(len(list))] }
	cautions := care.Checklist()
	switch e.r.IntN(18) {
	case 0:
		return Command{Type: "take"}
	case 1:
		return Command{Type: "give", To: pick(clients...)}
	case 2:
		return Command{Type: "release"}
	case 3:
		return Command{Type: "care", ID: cautions[e.r.IntN(len(cautions))].ID, Ticked: e.r.IntN(8) > 0}
	case 4:
		return Command{Type: "set", Field: "drop.height", Value: fmt.Sprintf("%d cm", e.r.IntN(90)-5)}
	case 5:
		return Command{Type: "set", Field: "kind", Value: pick("drop", "throw", "sound", "rain")}
	case 6:
		return Command{Type: "set", Field: "light.lag", Value: pick("60 ms", "900 ms", "x")}
	case 7:
		if e.r.IntN(5) > 0 {
			return Command{Type: "go"}
		}
		return Command{Type: "session", Name: pick("", "second", "a\x00")}
	case 8:
		return Command{Type: "verdict", Shot: e.r.Int64N(5), Verdict: record.Verdict(pick("good", "early", "fine"))}
	case 9:
		return Command{Type: "note", Shot: e.r.Int64N(5), Text: pick("", "hm")}
	case 14:
		return Command{Type: pick("star", "picture", "file"), Shot: e.r.Int64N(5), Star: e.r.IntN(2) > 0, File: e.r.IntN(4),
			Picture: Picture(pick("", "black", "odd"))}
	case 15:
		return Command{Type: pick("again", "rename"), Session: e.r.Int64N(3), Name: pick("", "first")}
	case 10:
		return Command{Type: "disarm"}
	case 17:
		return Command{Type: "set", Field: "trim.drop", Value: fmt.Sprintf("%d ms", e.r.IntN(40)-20)}
	case 16:
		return Command{Type: "page", Hidden: e.r.IntN(2) > 0}
	case 13:
		return Command{Type: pick("lag", "pulse", "threshold", "uselag"), Shots: e.r.IntN(6),
			Output: pick("flash", "shutter", ""), Input: "microphone", Level: e.r.IntN(600) - 20}
	default:
		return Command{Type: "arm", Shots: e.r.IntN(6), DelayS: max(e.r.IntN(20)-15, 0), Dry: e.r.IntN(4) == 0,
			RepeatS: max(e.r.IntN(60)-50, 0), PaceS: max(e.r.IntN(60)-50, 0)}
	}
}

// command sends one and checks that only the holder is obeyed.
func (e *evening) command() {
	client, cmd := clients[e.r.IntN(len(clients))], e.someCommand()
	holder, connected := e.phones.holder, e.phones.connected[client] > 0
	if boxes := e.boxes[client]; cmd.Type == "page" && len(boxes) > 0 {
		cmd.Connection = boxes[e.r.IntN(len(boxes))]
		e.hidden[cmd.Connection] = cmd.Hidden
	}
	err := e.Do(e.t.Context(), client, cmd)
	if err == nil && (cmd.Type == "arm" || cmd.Type == "lag") {
		e.asked = time.Now()
	}
	if err != nil {
		e.refusals++
		var r *Refusal
		assert.True(e.t, errors.As(err, &r), "%+v: %v", cmd, err)
	}
	if err == nil && !slices.Contains([]string{"disarm", "take", "page"}, cmd.Type) {
		assert.Equal(e.t, client, holder, "%+v was obeyed", cmd)
		assert.True(e.t, connected, "%+v was obeyed", cmd)
	}
}

// tickAll makes arming likely enough to be worth watching.
func (e *evening) tickAll() {
	holder := e.phones.holder
	for _, caution := range care.Checklist() {
		e.Do(e.t.Context(), holder, Command{Type: "care", ID: caution.ID, Ticked: true})
	}
	e.Do(e.t.Context(), holder, Command{Type: "set", Field: "light.lag", Value: "60 ms"})
	e.Do(e.t.Context(), holder, Command{Type: "set", Field: "drop.height", Value: "40 cm"})
}

func (e *evening) comeOrGo() {
	client := clients[e.r.IntN(len(clients))]
	if list := e.leaves[client]; len(list) > 0 && e.r.IntN(3) == 0 {
		list[0](time.Now().Add(-time.Duration(e.r.IntN(4000)) * time.Millisecond))
		delete(e.hidden, e.boxes[client][0])
		e.leaves[client], e.boxes[client] = list[1:], e.boxes[client][1:]
		return
	}
	box, leave := e.Join(client)
	e.boxes[client] = append(e.boxes[client], box)
	e.leaves[client] = append(e.leaves[client], leave)
	e.watch(<-box)
}

// boardFault is what a board may do at any time.
func (e *evening) boardFault() {
	switch e.r.IntN(5) {
	case 0:
		e.dev.vanish(errors.New("pulled out"))
	case 1:
		e.dev.stop(wire.Faulted, wire.Killed, wire.ReasonKill)
	case 2:
		if e.dev.now() != wire.Faulted {
			e.dev.stop(wire.Safe, wire.LinkTimeout, wire.ReasonLinkTimeout)
		}
	case 3:
		e.journal.setBroken(errors.New("no room"))
	case 4:
		e.journal.setBroken(nil)
	}
}

// hang lets a request of the holder's arming hang while something else happens.
func (e *evening) hang() {
	release := e.dev.holdUp([]string{"load", "arm"}[e.r.IntN(2)])
	done := make(chan struct{})
	holder := e.phones.holder
	go func() {
		e.Do(context.Background(), holder, Command{Type: "arm", Shots: 2})
		close(done)
	}()
	e.asked = time.Now()
	synctest.Wait()
	for range e.r.IntN(4) {
		e.command()
		synctest.Wait()
		e.watch(e.Snapshot())
	}
	release()
	<-done
}

// begin begins a shot. One of a dry run is not to be on record.
func (e *evening) begin() {
	made := e.made
	e.dev.begin()
	if e.dev.isDry() {
		e.made = made
	}
}

func (e *evening) step() {
	switch k := e.r.IntN(100); {
	case k < 50:
		e.command()
	case k < 60:
		e.comeOrGo()
	case k < 70:
		e.begin()
	case k < 80:
		e.dev.end()
	case k < 84:
		e.tickAll()
	case k < 88:
		e.dev.emit(board.Event{Rejected: &wire.Rejected{Reason: wire.ReasonTooSlow, Interval: e.r.Uint32()}})
	case k < 92:
		time.Sleep(time.Duration(e.r.IntN(20000)) * time.Millisecond)
	case k < 94:
		e.hang()
	default:
		if e.r.IntN(4) == 0 {
			e.boardFault()
		}
	}
}

// onArm checks, at the moment the board is armed, that it may be.
func (e *evening) onArm() {
	s := e.Snapshot()
	e.armed++
	e.armedSet = &s.Set
	assert.True(e.t, s.CareDone, "armed without the checklist")
	assert.Nil(e.t, s.Refusal, "armed with a set that cannot work")
	assert.NotEmpty(e.t, s.Holder, "armed by nobody")
	dry := len(e.dev.program.Cues)+len(e.dev.program.Opening) == 0
	assert.Equal(e.t, dry, s.DryRun, "what is shown is not what the board has")
	if dry {
		e.dry++
	}
}

func TestAnyOrderOfEventsKeepsTheRules(t *testing.T) {
	armed, refusals, shots, dry, away := 0, 0, 0, 0, 0
	sameLag := func(int) time.Duration { return 80 * time.Millisecond }
	seeds := seedCount()
	for seed := range uint64(seeds) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) {
			b := &fakeJournal{}
			for evenings := range 2 {
				inBubble(t, func(t *testing.T) {
					b.setBroken(nil)
					e := &evening{harness: setUpWith(t, b, withSync(sameLag)), r: rand.New(rand.NewPCG(seed, uint64(evenings))),
						leaves: map[string][]func(time.Time){}, boxes: map[string][]<-chan *Snapshot{},
						hidden: map[<-chan *Snapshot]bool{}}
					assert.Equal(t, wire.Safe, e.dev.now(), "armed after a restart")
					assert.Equal(t, Safe, e.Snapshot().State)
					e.onArmed(e.onArm)
					e.comeOrGo()
					for range 250 {
						e.step()
						e.settle()
						require.False(t, t.Failed())
					}
					b.setBroken(nil)
					require.NoError(t, e.stop())
					assert.Equal(t, wire.Safe, e.dev.now(), "stopped and still armed")
					assert.Equal(t, e.made, len(e.journal.kept())-e.before, "every shot is on record, once")
					armed, refusals, shots = armed+e.armed, refusals+e.refusals, shots+e.made
					dry, away = dry+e.dry, away+e.away
				})
			}
		})
	}
	t.Logf("armed %d times, %d of them dry, %d commands refused, %d shots; %d looks at one gone too long",
		armed, dry, refusals, shots, away)
	assert.Greater(t, armed, 4*seeds, "too little happened to learn anything")
	assert.Greater(t, shots, 4*seeds)
	assert.Greater(t, dry, seeds/5)
	assert.Greater(t, away, seeds/2)
}

// seedCount is how many seeds an exploration takes: fewer with the race detector, which finds in few what it finds.
func seedCount() int {
	if need.RaceDetector {
		return 7
	}
	return 25
}
