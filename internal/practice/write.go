package practice

import (
	"context"
	"errors"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"strings"

	"stillwater/internal/picture"
)

// GelNames lists the gels, for people.
func GelNames() string {
	var names []string
	for _, g := range picture.Gels() {
		names = append(names, g.Name)
	}
	return strings.Join(names, ", ")
}

// GelNamed is the gel with a name.
func GelNamed(name string) (*picture.Gel, error) {
	for _, g := range picture.Gels() {
		if g.Name == name {
			return &g.Gel, nil
		}
	}
	return nil, fmt.Errorf("use one of %s", GelNames())
}

// Write makes a frame's picture as a file in a folder, and returns its path.
func (f Picture) Write(ctx context.Context, folder string, o picture.Options) (path string, err error) {
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return "", err
	}
	img, err := picture.Render(ctx, f.Water, f.Light, o)
	if err != nil {
		return "", err
	}
	path = filepath.Join(folder, fmt.Sprintf("%s-%d.png", f.Name, o.Seed))
	file, err := os.Create(path)
	if err != nil {
		return "", err
	}
	return path, errors.Join(png.Encode(file, img), file.Close())
}
