package tether

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames/framestest"
	"stillwater/internal/need"
	"stillwater/internal/proctest"
	"stillwater/internal/tether/tethertest"
)

// reach is the real library as the client of a camera, and a folder to copy into.
func reach(t *testing.T, port string) (*Camera, *os.Root) {
	t.Helper()
	need.Tool(t, "gphoto2")
	t.Setenv("HOME", t.TempDir()) // it keeps settings there
	c, err := Find(port)
	require.NoError(t, err)
	root, err := os.OpenRoot(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { root.Close() })
	return c, root
}

// files are the files in a folder by name, hidden ones too.
func filesIn(t *testing.T, root *os.Root) map[string]string {
	t.Helper()
	all := map[string]string{}
	assert.NoError(t, fs.WalkDir(root.FS(), ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := root.ReadFile(name)
		all[name] = string(content)
		return err
	}))
	return all
}

var photograph = framestest.WithExif(framestest.Plain(300, 200), "2026:11:30 20:30:00", "")

// The library's own disk port: a card's files are listed and copied byte for byte, once; what cannot be is named.
func TestDisk(t *testing.T) {
	card := t.TempDir()
	dir := filepath.Join(card, "DCIM", "100TEST")
	require.NoError(t, os.MkdirAll(dir, 0o777))
	for _, name := range []string{"PICT0001.JPG", "it's 2.JPG", "line\nbreak.JPG", "\u202etxt.JPG", "-h.JPG"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), append(photograph, name...), 0o666))
	}
	c, root := reach(t, "disk:"+card)
	uppermost := filepath.Join(card, "PICT0003.JPG")
	require.NoError(t, os.WriteFile(uppermost, photograph, 0o666))
	list, problems, err := c.List(t.Context())
	require.NoError(t, err)
	at := slices.Index(list, File{"/PICT0003.JPG", int64(len(photograph))})
	require.GreaterOrEqual(t, at, 0, "%v", list)
	made, err := c.Copy(t.Context(), list[at], root)
	require.NoError(t, err)
	assert.True(t, made)
	assert.Equal(t, map[string]string{"PICT0003.JPG": string(photograph)}, filesIn(t, root))
	require.NoError(t, errors.Join(root.Remove("PICT0003.JPG"), os.Remove(uppermost)))
	list = slices.Delete(list, at, at+1)
	assert.Equal(t, []File{{"/DCIM/100TEST/PICT0001.JPG", int64(len(photograph) + 12)},
		{"/DCIM/100TEST/it's 2.JPG", int64(len(photograph) + 10)}}, sorted(list))
	assert.NotEmpty(t, problems)
	for _, problem := range problems {
		assert.ErrorContains(t, problem, "rename the file on the camera")
		assert.NotContains(t, problem.Error(), "\n")
		assert.NotContains(t, problem.Error(), "\u202e")
	}
	for _, want := range []bool{true, false} {
		for _, f := range list {
			made, err := c.Copy(t.Context(), f, root)
			require.NoError(t, err)
			assert.Equal(t, want, made, "only once")
		}
	}
	assert.Equal(t, map[string]string{"100TEST/PICT0001.JPG": string(photograph) + "PICT0001.JPG",
		"100TEST/it's 2.JPG": string(photograph) + "it's 2.JPG"}, filesIn(t, root))
	require.NoError(t, root.WriteFile("100TEST/PICT0001.JPG", []byte("another's"), 0o666))
	_, err = c.Copy(t.Context(), list[0], root)
	assert.ErrorContains(t, err, "100TEST/")
	_, err = c.Copy(t.Context(), File{"/DCIM/100TEST/PICT0009.JPG", 7}, root)
	assert.ErrorContains(t, err, "100TEST/PICT0009.JPG: the camera: File not found: it is no longer on the camera")
	assert.Len(t, filesIn(t, root), 2, "nothing else is left")
}

func sorted(list []File) []File {
	if len(list) == 2 && list[0].Path > list[1].Path {
		list[0], list[1] = list[1], list[0]
	}
	return list
}

// A camera on the network, with the real library as its client.
func TestNetwork(t *testing.T) {
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0001.JPG", Content: photograph})
	c, root := reach(t, camera.Port())
	list, problems, err := c.List(t.Context())
	require.NoError(t, err)
	assert.Empty(t, problems)
	require.Len(t, list, 1)
	assert.Equal(t, int64(len(photograph)), list[0].Size)
	assert.Equal(t, "100TEST/PICT0001.JPG", list[0].Name())
	assert.Empty(t, After(list, root), "what was there before is old")
	_, err = c.Copy(t.Context(), list[0], root)
	require.NoError(t, err)
	camera.Add(tethertest.Object{Name: "PICT0002.JPG", Content: photograph[:200]})
	list, _, err = c.List(t.Context())
	require.NoError(t, err)
	next := After(list, root)
	require.Len(t, next, 1)
	_, err = c.Copy(t.Context(), next[0], root)
	require.NoError(t, err)
	assert.Equal(t, map[string]string{"100TEST/PICT0001.JPG": string(photograph),
		"100TEST/PICT0002.JPG": string(photograph[:200])}, filesIn(t, root))
}

// Whatever a camera does, a request ends with a clear error, nothing half is left, and the next file is copied.
func TestBrokenCameras(t *testing.T) {
	long := bytes.Repeat(photograph, 20)
	var all sync.WaitGroup
	for _, fault := range []tethertest.Fault{tethertest.Stops, tethertest.Mute, tethertest.BadLength,
		tethertest.HugeLength, tethertest.HangsUp, tethertest.Truncated, tethertest.TooLong, tethertest.Endless} {
		camera := tethertest.Start(t, tethertest.Object{Name: "PICT0001.JPG", Content: long, Fault: fault},
			tethertest.Object{Name: "PICT0002.JPG", Content: long})
		c, root := reach(t, camera.Port())
		all.Go(func() {
			list, _, err := c.List(t.Context())
			if !assert.NoError(t, err) || !assert.Len(t, list, 2) {
				return
			}
			c.Limits.Ending = 200 * time.Millisecond
			for c.Limits.Begin = 2 * time.Second; camera.Asked() == 0; c.Limits.Begin *= 2 { // on a busy machine
				_, err = c.Copy(t.Context(), list[0], root)
			}
			t.Log(fault, err)
			assert.ErrorContains(t, err, "100TEST/PICT0001.JPG: the camera")
			assert.Empty(t, filesIn(t, root), "nothing half is left")
			c.Limits = DefaultLimits()
			_, err = c.Copy(t.Context(), list[1], root)
			assert.NoError(t, err)
			assert.Equal(t, map[string]string{"100TEST/PICT0002.JPG": string(long)}, filesIn(t, root))
		})
	}
	all.Wait()
}

// A program that hears nothing any more is ended, and what that is due to is said.
func TestSilence(t *testing.T) {
	program := filepath.Join(t.TempDir(), "deaf")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\ntrap '' INT TERM\nexec sleep 3600\n"), 0o700))
	c := Camera{program: program, Limits: Limits{List: 50 * time.Millisecond, Ending: 50 * time.Millisecond}}
	_, _, err := c.List(t.Context())
	assert.ErrorIs(t, err, ErrSilent)
}

// Names of a hostile camera lead nowhere.
func TestHostileNames(t *testing.T) {
	var objects []tethertest.Object
	for _, name := range []string{"../../out.JPG", "/etc/out.JPG", "..",
		"a\nFILENAME='/x/../../out.JPG' PERMS=rd FILESIZE=3 ",
		"new\nline.JPG", ".hidden.JPG", `a\b.JPG`, "PICT0007.JPG"} {
		objects = append(objects, tethertest.Object{Name: name, Content: photograph})
	}
	c, root := reach(t, tethertest.Start(t, objects...).Port())
	list, problems, err := c.List(t.Context())
	require.NoError(t, err)
	t.Log(list, problems)
	assert.NotEmpty(t, problems)
	for _, f := range list {
		_, err := c.Copy(t.Context(), f, root)
		t.Log(err)
	}
	for name := range filesIn(t, root) {
		assert.Contains(t, []string{"100TEST/PICT0007.JPG", "etc/out.JPG"}, name)
	}
	_, err = os.Stat(filepath.Join(filepath.Dir(root.Name()), "out.JPG"))
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

// What is asked to end ends, and no process is left behind.
func TestStopped(t *testing.T) {
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0001.JPG", Content: photograph, Fault: tethertest.Stops})
	c, root := reach(t, camera.Port())
	ctx, stop := context.WithCancel(t.Context())
	list, _, err := c.List(ctx)
	require.NoError(t, err)
	ended := make(chan error, 1)
	go func() {
		_, err := c.Copy(ctx, list[0], root)
		ended <- err
	}()
	proctest.Eventually(t, "it asks for the file", func() bool { return camera.Asked() > 0 || len(ended) > 0 })
	require.Empty(t, ended, "it ended by itself")
	stop()
	assert.ErrorIs(t, <-ended, context.Canceled)
	assert.Empty(t, filesIn(t, root))
}

func TestFindRefuses(t *testing.T) {
	for _, port := range []string{"", "usb:", "-h", "serial:/dev/ttyS0", "disk:a\nb", "ptpip"} {
		_, err := Find(port)
		assert.ErrorContains(t, err, "give auto for the connected camera", port)
	}
	t.Setenv("PATH", t.TempDir())
	_, err := Find(Auto)
	assert.ErrorIs(t, err, ErrMissing)
	assert.ErrorContains(t, err, "sudo apt install gphoto2")
}

func TestParseList(t *testing.T) {
	for text, want := range map[string][]File{
		"FILENAME='/a/b.JPG' PERMS=rd FILESIZE=12 FILETYPE=image/jpeg\n":       {{"/a/b.JPG", 12}},
		"FILENAME='/a/b.JPG' PERMS=rd FILETYPE=image/jpeg\n":                   {{"/a/b.JPG", -1}},
		"FILENAME='/b.JPG' PERMS=rd FILESIZE=   3 FILETYPE=x\n":                {{"/b.JPG", 3}},
		"FILENAME='/a/../b.JPG' PERMS=rd FILESIZE=3 X\nnonsense\n":             nil,
		"FILENAME='b.JPG' PERMS=rd FILESIZE=3 X\n":                             nil,
		"FILENAME='/a/b.JPG' PERMS=rd FILESIZE=99999999999999999999999999 X\n": {{"/a/b.JPG", -1}},
	} {
		files, problems := parseList(text)
		assert.Equal(t, want, files, text)
		assert.Equal(t, want == nil, len(problems) > 0, text)
	}
}

// FuzzParseList: whatever a list says, a file that is taken has a name that stays in its folder.
func FuzzParseList(f *testing.F) {
	f.Add("FILENAME='/store_00010001/DCIM/100TEST/PICT0001.JPG' PERMS=rd FILESIZE=10001 FILETYPE=image/jpeg FILEMTIME=1\n")
	f.Add("FILENAME='/a/../b' PERMS= FILESIZE=1 \nFILENAME='/it's' PERMS=rd \n")
	f.Fuzz(func(t *testing.T, text string) {
		files, problems := parseList(text)
		for _, file := range files {
			require.True(t, filepath.IsLocal(file.Name()), "%q", file.Path)
			require.GreaterOrEqual(t, file.Size, int64(-1))
			require.NotContains(t, file.Path, "\n")
		}
		require.LessOrEqual(t, len(problems), 21)
	})
}
