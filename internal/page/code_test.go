package page

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wrong is a code of the same form that is not the code.
func wrong(code string) string {
	if code[0] == '0' {
		return "1" + code[1:]
	}
	return "0" + code[1:]
}

// spend types wrong codes.
func spend(t *testing.T, c *codes, count int) {
	t.Helper()
	for range count {
		require.Error(t, c.check(wrong(c.displayed())))
	}
}

// lengthened has a long code.
func lengthened(t *testing.T) *codes {
	t.Helper()
	c := newCodes("", nil)
	spend(t, c, shortTries)
	require.True(t, c.long())
	return c
}

func TestCodesAreFresh(t *testing.T) {
	short, long, letters := map[string]bool{}, map[string]bool{}, map[rune]bool{}
	for range 500 {
		s, l := newShort(), newLong()
		assert.Regexp(t, `^[0-9]{6}$`, s)
		assert.Regexp(t, `^[0-9A-HJKMNP-TV-Z]{10}$`, l)
		short[s], long[l] = true, true
		for _, r := range l {
			letters[r] = true
		}
	}
	assert.Greater(t, len(short), 490)
	assert.Len(t, long, 500)
	assert.Len(t, letters, 32, "each letter is used: one is missing by chance in one of 10^67 runs")
}

func TestEveryCharacterOfTheCodeCounts(t *testing.T) {
	short := newCodes("", nil)
	short.code = "123456"
	long := lengthened(t)
	long.code = "01234ABCDZ"
	for _, c := range []*codes{short, long} {
		right := c.code
		near := []string{"", right[1:], right[:len(right)-1], right + "0", "0" + right, right + "\x00",
			right[1:] + right[:1]}
		for i := range right {
			near = append(near, right[:i]+"9"+right[i+1:])
		}
		for _, code := range near {
			assert.Error(t, c.check(code), "%q", code)
			assert.NoError(t, c.check(right))
		}
	}
}

func TestCodesAreTakenAsPeopleTypeThem(t *testing.T) {
	c := lengthened(t)
	c.code = "01234ABCDZ"
	assert.Equal(t, "01234-ABCDZ", c.displayed())
	for _, typed := range []string{"01234-ABCDZ", "01234ABCDZ", "01234abcdz", " 01234 abcdz\n", "o1234-aBcDz",
		"OI234ABCDZ", "ol234abcdz", "0-1-2-3-4-A-B-C-D-Z", "01234\u2013ABCDZ", "01234\u00a0ABCDZ"} {
		assert.NoError(t, c.check(typed), "%q", typed)
	}
	assert.Error(t, c.check("01234_ABCDZ"))
	short := newCodes("", nil)
	short.code = "012345"
	assert.NoError(t, short.check(" 012 345 "))
	assert.NoError(t, short.check("ol2345"), "a letter that looks like a digit")
}

// Neither a right code in between nor a new guesser gives more tries.
func TestTheShortCodeIsVoidAfterTwentyWrongOnes(t *testing.T) {
	var changes []CodeChange
	c := newCodes("", func(change CodeChange) { changes = append(changes, change) })
	short := c.displayed()
	for n := range shortTries - 1 {
		err := c.check(wrong(short))
		assert.Equal(t, &wrongCodeError{count: n + 1}, err)
		require.NoError(t, c.check(short))
	}
	assert.Empty(t, changes)
	err := c.check(wrong(short))
	assert.Equal(t, &wrongCodeError{count: shortTries, replaced: true}, err)
	require.Len(t, changes, 1)
	assert.Equal(t, CodeChange{Code: c.displayed(), Guessed: true}, changes[0])
	assert.Regexp(t, `^[0-9A-Z]{5}-[0-9A-Z]{5}$`, c.displayed())
	for n, old := range []string{short, wrong(short)} {
		assert.Equal(t, &wrongCodeError{count: shortTries + 1 + n, replaced: true}, c.check(old),
			"nothing says whether the old code would have been right")
	}
	assert.Equal(t, &wrongCodeError{count: shortTries + 3}, c.check(wrong(c.displayed())))
	assert.NoError(t, c.check(c.displayed()))

	spend(t, c, 1000)
	assert.Len(t, changes, 1, "the long code stays")
	c.renew()
	c.notify()
	require.Len(t, changes, 2)
	assert.Equal(t, CodeChange{Code: c.displayed()}, changes[1])
	assert.Regexp(t, `^[0-9]{6}$`, c.displayed())
	spend(t, c, shortTries-1)
	assert.False(t, c.long(), "a new code has its own tries")
	spend(t, c, 1)
	assert.True(t, c.long())
}

func TestGuessesAtTheSameMomentAreAllCounted(t *testing.T) {
	var mu sync.Mutex
	var all sync.WaitGroup
	changes, counts := 0, map[int]int{}
	c := newCodes("", func(CodeChange) { changes++ })
	guess := wrong(c.displayed())
	start := make(chan struct{})
	for range 100 {
		all.Go(func() {
			<-start
			err := c.check(guess)
			mu.Lock()
			defer mu.Unlock()
			counts[err.(*wrongCodeError).count]++
		})
	}
	close(start)
	all.Wait()
	assert.Len(t, counts, 100, "no two have the same number")
	assert.Equal(t, 1, changes)
}

// The last call has the code that counts, however many change at once.
func TestLastChangeNotifiedIsTheLast(t *testing.T) {
	var last CodeChange
	c := newCodes("", func(change CodeChange) { last = change })
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() { c.renew(); c.notify() })
		all.Go(func() {
			for range shortTries {
				c.check("")
			}
		})
	}
	all.Wait()
	assert.Equal(t, c.displayed(), last.Code)
	assert.Equal(t, c.long(), last.Guessed)
}

// A guesser who knows how the codes work tries different ones, as many as he gets. Of machines attacked so, 20 in
// 10^6 lose their short code. Of 20,000 these are more than 8 in one of 10^9 runs.
func TestAShortCodeIsGuessedTwentyTimesInAMillion(t *testing.T) {
	guessed := 0
	for range 20_000 {
		c := newCodes("", nil)
		for n := 0; !c.long(); n++ {
			if c.check(fmt.Sprintf("%06d", n)) == nil {
				guessed++
				break
			}
		}
	}
	t.Log("guessed:", guessed)
	assert.LessOrEqual(t, guessed, 8)
}

func TestPlainCodeIsStable(t *testing.T) {
	for _, typed := range []string{"ilo-u", "\u0131", "\xff", strings.Repeat("-", 20), "ß"} {
		assert.Equal(t, normalizeCode(typed), normalizeCode(normalizeCode(typed)), "%q", typed)
	}
	assert.Equal(t, "110U", normalizeCode("ilo-u"))
}

// A kept code is the one that pairs; what is no code of ours is not.
func TestKeptCodes(t *testing.T) {
	for kept, want := range map[string]string{"135790": "135790", "01234-ABCDE": "01234-ABCDE",
		" 0l234abcde\n": "01234-ABCDE"} {
		c := newCodes(kept, nil)
		assert.Equal(t, want, c.displayed())
		assert.NoError(t, c.check(kept))
	}
	for _, kept := range []string{"", "1", "13579", "1357900", "12345-ABCDU", "UUUUU-UUUUU", "\x00\x00\x00\x00\x00\x00"} {
		c := newCodes(kept, nil)
		assert.Regexp(t, `^[0-9]{6}$`, c.displayed(), kept)
		assert.NotEqual(t, normalizeCode(kept), c.displayed())
	}
}
