package frames

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestNamesLike(t *testing.T) {
	assert.Equal(t, []string{"P1.jpg", "P1.JPG", "P1.jpeg", "P1.JPEG", "P1.jpe", "P1.JPE"}, NamesLike("P1.jpg"))
	assert.Equal(t, []string{"P1.HIF", "P1.heic", "P1.HEIC", "P1.heif", "P1.HEIF", "P1.hif"}, NamesLike("P1.HIF"))
	assert.Equal(t, []string{"P1.Dng", "P1.dng", "P1.DNG"}, NamesLike("P1.Dng"))
}
