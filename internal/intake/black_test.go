package intake

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/page"
	"stillwater/internal/shot"
)

// dim is a frame of one level, 255 is white, that was open for half a second at an f-number.
func dim(t *testing.T, level byte, fNumber float64) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 96, 64))
	for i := range img.Pix {
		img.Pix[i] = level
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}))
	rational := func(tag uint16, number, divisor uint32) framestest.Field {
		return framestest.Field{Tag: tag, Kind: 5, Count: 1,
			Data: binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, number), divisor)}
	}
	return framestest.WithExif(b.Bytes(), "2026:11:24 17:10:00", "", rational(0x829a, 1, 2),
		rational(0x829d, uint32(fNumber*100+0.5), 100))
}

// A frame with the flash off says how dark the room is, for the light of the session that it is of; what it cannot say
// is a problem of it alone, and it can be taken back. Without its copy it still says it.
func TestBlackFrame(t *testing.T) {
	x := newStudio(t)
	n := float64(shot.DefaultSet().Camera.Lens().WorkingFNumber())
	x.files["PICT0460.JPG"], x.files["PICT0461.JPG"] = dim(t, 26, n), dim(t, 26, 2*n)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	say := func(err error) page.CameraView {
		t.Helper()
		require.NoError(t, err)
		x.untilLooked()
		return x.view()
	}
	assert.ErrorContains(t, x.Black(x.session, "none such"), "has no frame")
	v := say(x.Black(x.session, "PICT0460"))
	require.NotNil(t, v.Room, v.Problems)
	assert.Equal(t, []any{"PICT0460", "0.5 s", "10.2 %"}, []any{v.Black, v.Room.Open, v.Room.Seen})
	require.NotNil(t, v.Room.MarginStops)
	assert.Contains(t, v.Room.Words, "below the flash")
	assert.Contains(t, v.Room.Words, "The file does not say it was taken at ISO", "nor is that passed over")
	x.screen.until(t, "the light is told", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Room != nil && now.Room.Name == "PICT0460"
	})
	x.screen.mu.Lock()
	room := *x.screen.now.Room
	x.screen.mu.Unlock()
	assert.Equal(t, []string{"room.by", "black-frame"}, []string{room.Fix.Field, room.Fix.Value})
	assert.Len(t, room.Fix.Also, 2)
	assert.Equal(t, shot.DefaultSet().Camera, room.Camera)

	require.NoError(t, os.Remove(filepath.Join(x.o.Dir, fmt.Sprint(x.session), "PICT0460.JPG")))
	x.startAnew()
	v = x.until(func(v page.CameraView) bool { return v.Room != nil })
	assert.Equal(t, "10.2 %", v.Room.Seen)

	v = say(x.Black(x.session, "PICT0461"))
	assert.Nil(t, v.Room)
	assert.Contains(t, strings.Join(v.Problems, "\n"), "The room cannot be judged by the black frame, PICT0461: it was "+
		"taken at")
	assert.Contains(t, strings.Join(v.Problems, "\n"), "take it like the shots. Or choose another black frame.")
	v = say(x.Black(x.session, "PICT0471"))
	assert.Contains(t, strings.Join(v.Problems, "\n"), "Type that and the brightest part yourself")
	assert.NotContains(t, strings.Join(v.Problems, "\n"), "--", "nobody has a command line at the page")
	v = say(x.Black(x.session, ""))
	assert.Empty(t, v.Black)
	assert.Empty(t, v.Problems)
}

// Where the set is wrong, and not the frame, the page says where to correct it.
func TestBlackFrameUnlikeTheSet(t *testing.T) {
	err := &contactsheet.BlackError{Name: "PICT0460", Err: fmt.Errorf("it was taken at f/5.6: %w",
		contactsheet.ErrSetDiffers)}
	assert.Equal(t, "The room cannot be judged by the black frame, PICT0460: it was taken at f/5.6: the shots' frames "+
		"were taken like it: correct the set's aperture and ISO, at Set up under Light, focus, framing.", problemAtPage(err))
}

// A black frame of which nothing is left is a problem, and the frames are matched without it.
func TestBlackFrameIsGone(t *testing.T) {
	x := newStudio(t)
	require.NoError(t, keepMark(x.Intake, x.session, referenceMark, reference{Black: "PICT0460"}))
	x.start()
	x.sendAll()
	x.untilFramed(7)
	v := x.view()
	assert.Equal(t, []string{"The room cannot be judged by the black frame, PICT0460: no frame in the folder is called " +
		"that. Or choose another black frame."}, v.Problems)
}
