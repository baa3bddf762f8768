package gpiochip

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A chip that refuses debounce is asked again without it, and the inputs that then have none are listed.
func TestDebounceRefused(t *testing.T) {
	inputs := []InputRequest{{}, {Bias: PullUp, Debounce: time.Millisecond}, {Debounce: 2 * time.Millisecond}, {}}
	indices := []int{0, 1, 3}
	debounces := func(c unix.GPIOV2LineConfig) (n int) {
		for _, a := range c.Attrs[:c.Num_attrs] {
			if a.Attr.Id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE {
				n++
			}
		}
		return n
	}
	for name, tc := range map[string]struct {
		refusal error // of a request with debounce
		plain   error // of one without
		asked   int
		without []int
		err     error
	}{
		"debounces":              {asked: 1},
		"cannot":                 {refusal: unix.EOPNOTSUPP, asked: 2, without: []int{1}},
		"cannot, kernel's errno": {refusal: unix.Errno(524), asked: 2, without: []int{1}},
		"not so long":            {refusal: unix.EINVAL, asked: 2, without: []int{1}},
		"taken":                  {refusal: unix.EBUSY, asked: 1, err: unix.EBUSY},
		"cannot do bias either":  {refusal: unix.EINVAL, plain: unix.ENXIO, asked: 2, err: unix.ENXIO},
	} {
		t.Run(name, func(t *testing.T) {
			asked := 0
			r, without, err := openInputs(inputs, indices, func(c unix.GPIOV2LineConfig) (*request, error) {
				asked++
				refusal := tc.plain
				if debounces(c) > 0 {
					refusal = tc.refusal
				}
				if refusal != nil {
					return nil, &Error{Where: "chip", What: "refused", Err: refusal}
				}
				return &request{}, nil
			})
			assert.Equal(t, tc.asked, asked)
			assert.Equal(t, tc.without, without)
			if tc.err != nil {
				assert.ErrorIs(t, err, tc.err)
				return
			}
			require.NoError(t, err)
			assert.NotNil(t, r)
		})
	}
	assert.Equal(t, time.Millisecond, inputs[1].Debounce, "the caller's inputs are left alone")

	_, without, err := openInputs(inputs, []int{0, 3}, func(unix.GPIOV2LineConfig) (*request, error) {
		return nil, unix.EINVAL
	})
	assert.ErrorIs(t, err, unix.EINVAL, "nothing to leave out")
	assert.Empty(t, without)
}
