package page

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A page is known by what every answer of it has, whatever the name it is asked by; another server's page is none, nor
// is one that leads to it.
func TestAnswers(t *testing.T) {
	at := func(h http.Handler) string {
		server := httptest.NewServer(h)
		t.Cleanup(server.Close)
		return server.Listener.Addr().String()
	}
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles})
	require.NoError(t, err)
	ours := at(s.Handler())
	assert.True(t, IsServing(t.Context(), ours))
	assert.False(t, IsServing(t.Context(), at(http.NotFoundHandler())))
	assert.False(t, IsServing(t.Context(), at(http.RedirectHandler("http://"+ours+"/", http.StatusFound))))
	assert.False(t, IsServing(t.Context(), "127.0.0.1"))
	assert.False(t, IsServing(t.Context(), "192.0.2.1:no port"))

	for _, path := range []string{"/", "/none", "/ws", "/pair", "/metrics"} {
		answer, err := http.Get("http://" + ours + path)
		require.NoError(t, err)
		answer.Body.Close()
		assert.Equal(t, []string{serverName}, answer.Header["Server"], path)
	}
}
