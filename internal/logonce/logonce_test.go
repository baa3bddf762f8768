package logonce

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestProblem(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{
		ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		}}))
	p := Problem{Begins: "gone", Ends: "back"}
	for _, err := range []error{nil, errors.New("a"), errors.New("a"), errors.New("b"),
		fmt.Errorf("%w", context.Canceled), errors.New("b"), nil, nil,
		fmt.Errorf("%w", context.Canceled)} {
		p.Set(log, err, "folder", "x")
	}
	assert.Equal(t, "level=WARN msg=gone err=a folder=x\nlevel=WARN msg=gone err=b folder=x\n"+
		"level=INFO msg=back folder=x\n", out.String())
}
