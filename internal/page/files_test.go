package page

import (
	"net/http"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWhoAcceptsGzip(t *testing.T) {
	for header, want := range map[string]bool{
		"gzip": true, "deflate, gzip, br": true, "GZIP": true, "x-gzip": true, "gzip;q=0.001": true, "gzip ; q=0.5": true,
		"*": true, "br, *;q=0.1": true, "gzip;Q=1": true,
		"": false, "identity": false, "gzip;q=0": false, "gzip; q=0.0": false, "gzip;q=0, *": false, "*;q=0": false,
		"bgzip": false, "gzipped": false, "br;gzip": false, "gzip;q=maybe": false, "gzip;q=-1": false,
	} {
		assert.Equal(t, want, acceptsGzip([]string{header}), "%q", header)
	}
	assert.True(t, acceptsGzip([]string{"br", "gzip"}), "two headers are one list")
	assert.False(t, acceptsGzip(nil))
}

func TestFilesGoOutAsTheyAreAskedFor(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	plainHead := header("Accept-Encoding", "gzip;q=0")
	plain, body := ask(t, web, "GET", "/", "", plainHead)
	assert.Empty(t, plain.Header.Get("Content-Encoding"))
	assert.Equal(t, string(testFiles["index.html"].Data), body)
	zipped, body := ask(t, web, "GET", "/", "", header("Accept-Encoding", "br;q=1, gzip;q=0.2"))
	assert.Equal(t, "gzip", zipped.Header.Get("Content-Encoding"))
	assert.Equal(t, strconv.Itoa(len(body)), zipped.Header.Get("Content-Length"))
	assert.Equal(t, "Accept-Encoding", zipped.Header.Get("Vary"))
	assert.NotEqual(t, plain.Header.Get("ETag"), zipped.Header.Get("ETag"), "other bytes, another tag")

	head, body := ask(t, web, "HEAD", "/", "", header("Accept-Encoding", "gzip"))
	assert.Empty(t, body)
	assert.Equal(t, zipped.Header.Get("Content-Length"), head.Header.Get("Content-Length"))
	part, body := ask(t, web, "GET", "/", "", plainHead, header("Range", "bytes=2-8"))
	assert.Equal(t, http.StatusPartialContent, part.StatusCode)
	assert.Equal(t, "doctype", body)
}

func TestWhatThePhoneHasIsNotSentAgain(t *testing.T) {
	_, web := newServer(t, &fakeController{})
	gzip := header("Accept-Encoding", "gzip")
	first, _ := ask(t, web, "GET", "/", "", gzip)
	tag := first.Header.Get("ETag")
	require.True(t, strings.HasPrefix(tag, `"`), tag)
	for has, want := range map[string]int{
		tag: 304, "*": 304, "W/" + tag: 304, `"other", ` + tag: 304, `"a","b" , W/` + tag + `,"c"`: 304,
		`"other"`: 200, strings.Trim(tag, `"`): 200, `"other, "` + tag: 200, "": 200,
	} {
		answer, body := ask(t, web, "GET", "/", "", gzip, header("If-None-Match", has))
		assert.Equal(t, want, answer.StatusCode, "%q", has)
		assert.Equal(t, want == 304, body == "", "%q", has)
		assert.Equal(t, tag, answer.Header.Get("ETag"))
	}
	answer, _ := ask(t, web, "GET", "/", "", header("Accept-Encoding", "identity"), header("If-None-Match", tag))
	assert.Equal(t, http.StatusOK, answer.StatusCode, "it has the other encoding")
}
