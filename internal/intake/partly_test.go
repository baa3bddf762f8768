package intake

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/page"
)

// A frame that is looked at again keeps its picture meanwhile; another file under its name has none yet.
func TestPicturesAreKept(t *testing.T) {
	was := []page.CameraFrame{{Name: "A", Version: "1", Pictured: true, Width: 6, Height: 4},
		{Name: "B", Version: "1", Pictured: true, Width: 6, Height: 4}, {Name: "C", Version: "1"}}
	now := []page.CameraFrame{{Name: "A", Version: "1"}, {Name: "B", Version: "2"}, {Name: "C", Version: "1"},
		{Name: "D", Version: "1"}}
	keepPictures(now, was)
	assert.Equal(t, []page.CameraFrame{{Name: "A", Version: "1", Pictured: true, Width: 6, Height: 4},
		{Name: "B", Version: "2"}, {Name: "C", Version: "1"}, {Name: "D", Version: "1"}}, now)
}
