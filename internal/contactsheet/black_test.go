package contactsheet

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames/framestest"
	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// rational is an EXIF number with its divisor.
func rational(tag uint16, number, divisor uint32) framestest.Field {
	value := binary.LittleEndian.AppendUint32(nil, number)
	return framestest.Field{Tag: tag, Kind: 5, Count: 1, Data: binary.LittleEndian.AppendUint32(value, divisor)}
}

// grey is a JPEG of one level, 255 is white.
func grey(t *testing.T, level uint8) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 96, 64))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.Gray{level}), image.Point{}, draw.Src)
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

// A frame with the flash off says how far the room is below the flash, as the light's own steps judge it.
func TestRoomByABlackFrame(t *testing.T) {
	const exposureTime, fNumber = 0x829a, 0x829d
	source, folder := evening(t)
	set := shot.DefaultSet()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	s := record.Summary{Session: record.Session{ID: 4, Set: string(text)}}
	n := uint32(float64(set.Camera.Lens().WorkingFNumber())*100 + 0.5)
	put := func(name string, level uint8, exif ...framestest.Field) {
		content := framestest.WithExif(grey(t, level), "2026:11:24 17:00:00", "", exif...)
		require.NoError(t, folder.Root().WriteFile(name, content, 0o666))
	}
	half, as := rational(exposureTime, 1, 2), rational(fNumber, n, 100)
	put("PICT0300.JPG", 26, half, as)
	put("PICT0301.JPG", 52, half, as)
	put("PICT0302.JPG", 26)
	put("PICT0303.JPG", 26, half, rational(fNumber, n*2, 100))
	put("PICT0304.JPG", 255, half, as)
	roomBy := func(name string) (*Sheet, error) {
		made, err := Make(t.Context(), source, s, folder, Options{Black: name})
		return &made, err
	}
	sheet, err := roomBy("PICT0300")
	require.NoError(t, err)
	room := sheet.Room
	assert.InDelta(t, 26./255, float64(room.Seen), 0.002)
	require.NotNil(t, room.MarginStops)
	typed := set
	for _, put := range []string{"room.by=black-frame", "room.frame_open=1/2 s", "room.frame_seen=10.2 %"} {
		name, value, _ := strings.Cut(put, "=")
		require.NoError(t, typed.Put(name, value))
	}
	report, err := lighting.Judge(typed)
	require.NoError(t, err)
	assert.InDelta(t, float64(report.Margin), *room.MarginStops, 0.05, "as if a person had read it off the camera")
	assert.Contains(t, room.Words, "below the flash")
	var out bytes.Buffer
	require.NoError(t, sheet.Write(&out))
	assert.Regexp(t, `The room by PICT0300, flash off, open for .*: the brightest is 10.* %. The room is .* stillwater `+
		`light --set room.by=black-frame --set room.frame_open=\S+ --set room.frame_seen=10`, out.String())
	assert.Equal(t, room, sheet.Entry().Room)

	lighter, err := roomBy("PICT0301")
	require.NoError(t, err)
	is := float64(optics.Level(52./255).Stops() - optics.Level(26./255).Stops())
	assert.InDelta(t, is, *room.MarginStops-*lighter.Room.MarginStops, 0.15)
	burnt, err := roomBy("PICT0304")
	require.NoError(t, err)
	assert.Contains(t, burnt.Room.Words, "burnt out")
	for name, why := range map[string]string{"PICT0302": "does not say how long the shutter was open",
		"PICT0303": "2.0 stops apart: take it like the shots"} {
		sheet, err := roomBy(name)
		require.NoError(t, err, "the rest goes on")
		assert.Nil(t, sheet.Room)
		assert.NotEmpty(t, sheet.Rows)
		assert.ErrorContains(t, errors.Join(sheet.Problems...), why, name)
	}
	put("PICT0305.JPG", 26, half, rational(fNumber, uint32(float64(set.Camera.Aperture)*100+0.5), 100))
	byMark, err := roomBy("PICT0305")
	require.NoError(t, err)
	require.NotNil(t, byMark.Room, "a camera that writes the mark, %v", byMark.Problems)
	assert.Equal(t, room.Seen, byMark.Room.Seen)
	_, err = roomBy("PICT0998")
	assert.ErrorContains(t, err, "no frame in the folder is called that")
	_, err = roomBy("PICT0999")
	assert.ErrorContains(t, err, "PICT0999.JPG: its content is not a readable JPEG", "it is there")
}

// Where the shots' own frames were taken like the black one it is the set that is wrong, which can be corrected; and
// nothing is said of an ISO that no file has.
func TestBlackFrameAndShotsUnlikeTheSet(t *testing.T) {
	const exposureTime, fNumber = 0x829a, 0x829d
	source, folder := evening(t)
	set := shot.DefaultSet()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	s := record.Summary{Session: record.Session{ID: 4, Set: string(text)}}
	list, _, err := folder.List(t.Context())
	require.NoError(t, err)
	other := rational(fNumber, uint32(float64(set.Camera.Aperture)*400+0.5), 100)
	for _, frame := range list {
		read, err := folder.Read(t.Context(), frame)
		if err != nil || read.Taken.IsZero() {
			continue
		}
		content := framestest.WithExif(grey(t, 120), read.Taken.Format("2006:01:02 15:04:05"), "", other)
		require.NoError(t, folder.Root().WriteFile(frame.Files[0].Name, content, 0o666))
	}
	black := framestest.WithExif(grey(t, 26), "2026:11:24 17:00:00", "", rational(exposureTime, 1, 2), other)
	require.NoError(t, folder.Root().WriteFile("PICT0300.JPG", black, 0o666))
	made, err := Make(t.Context(), source, s, folder, Options{Black: "PICT0300"})
	require.NoError(t, err)
	assert.Nil(t, made.Room)
	var words []string
	for _, p := range made.Problems {
		words = append(words, ForCommandLine(p).Error())
	}
	all := strings.Join(words, "\n")
	assert.Contains(t, all, "stops apart: the shots' frames were taken like it: correct the set's aperture and ISO on "+
		"the page, at Set up under Light, focus, framing")
	assert.NotContains(t, all, "ISO 0")
}
