package page

import (
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
)

// stateController is a controller in one state.
type stateController struct {
	fakeController
	state control.State
}

func (p *stateController) Snapshot() *control.Snapshot { return &control.Snapshot{State: p.state} }

// fakeRadio is a machine's Wi-Fi.
type fakeRadio struct {
	country string
	err     error
}

func (r *fakeRadio) Country() (string, error) { return r.country, r.err }

func (r *fakeRadio) SetCountry(code string) error {
	if code != "DE" && code != "AT" {
		return errors.New("no country")
	}
	r.country = code
	return nil
}

func (r *fakeRadio) Countries() []string { return []string{"AT", "DE"} }

func radioServer(t *testing.T, p Controller, r Radio) (s *Server, web *httptest.Server, phone *http.Cookie) {
	t.Helper()
	s, err := New(t.Context(), Options{Control: p, Files: testFiles, Radio: r, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	web = httptest.NewServer(s.Handler())
	t.Cleanup(web.Close)
	return s, web, pairPhone(t, s, web)
}

func TestCountryIsChosen(t *testing.T) {
	p, radio := &stateController{state: control.Safe}, &fakeRadio{}
	_, web, phone := radioServer(t, p, radio)
	assert.Equal(t, RadioView{Countries: []string{"AT", "DE"}}, get[RadioView](t, web, phone, "/radio"))
	paired := func(r *http.Request) { r.AddCookie(phone) }
	choose := func(body string, change ...func(*http.Request)) (int, string) {
		answer, text := ask(t, web, "POST", "/radio", body, change...)
		return answer.StatusCode, text
	}
	status, text := choose(`{"country":"DE"}`, paired)
	require.Equal(t, http.StatusNoContent, status, text)
	assert.Equal(t, RadioView{Country: "DE", Countries: []string{"AT", "DE"}}, get[RadioView](t, web, phone, "/radio"))

	foreign := func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.example") }
	plain := func(r *http.Request) { r.Header.Set("Content-Type", "text/plain") }
	for _, c := range []struct {
		body   string
		change []func(*http.Request)
		status int
		says   string
	}{
		{`{"country":"AT"}`, nil, http.StatusUnauthorized, "Pair it first"},
		{`{"country":"AT"}`, []func(*http.Request){paired, foreign}, http.StatusForbidden, "this machine's own page"},
		{`{"country":"AT"}`, []func(*http.Request){paired, plain}, http.StatusUnsupportedMediaType, "application/json"},
		{`{"country":"XX"}`, []func(*http.Request){paired}, http.StatusUnprocessableEntity, "no country"},
		{`{"country":7}`, []func(*http.Request){paired}, http.StatusBadRequest, "a string, and nothing else"},
		{`{"country":"AT","country":"AT"}`, []func(*http.Request){paired}, http.StatusBadRequest, "given twice"},
		{`{"country":"AT","a":1}`, []func(*http.Request){paired}, http.StatusBadRequest, "nothing else"},
		{`AT`, []func(*http.Request){paired}, http.StatusBadRequest, "must start with"},
		{`{"country":"` + string(make([]byte, 100)) + `"}`, []func(*http.Request){paired}, http.StatusBadRequest,
			"too large"},
	} {
		status, text := choose(c.body, c.change...)
		assert.Equal(t, c.status, status, c.body)
		assert.Contains(t, text, c.says, c.body)
		assert.Equal(t, "DE", radio.country, c.body)
	}
	for _, state := range []control.State{control.Armed, control.Arming} {
		p.state = state
		status, text = choose(`{"country":"AT"}`, paired)
		assert.Equal(t, http.StatusConflict, status, state)
		assert.Contains(t, text, "Disarm first.")
	}
	p.state = control.Fault
	status, _ = choose(`{"country":"AT"}`, paired)
	assert.Equal(t, http.StatusNoContent, status)
	radio.err = errors.New("damaged")
	assert.Equal(t, "The country that was chosen cannot be read. Choose it again.",
		get[RadioView](t, web, phone, "/radio").Problem)
}

// A machine that looks after its own Wi-Fi has nothing of this.
func TestWithoutARadio(t *testing.T) {
	s, web := newServer(t, &fakeController{})
	phone := pairPhone(t, s, web)
	for _, method := range []string{"GET", "POST"} {
		answer, _ := ask(t, web, method, "/radio", `{"country":"DE"}`, func(r *http.Request) { r.AddCookie(phone) })
		assert.Contains(t, []int{http.StatusNotFound, http.StatusMethodNotAllowed}, answer.StatusCode, method)
	}
	answer, _ := ask(t, web, "GET", "/paired", "")
	assert.Empty(t, answer.Header.Get("Radio"))
	_, web, _ = radioServer(t, &fakeController{}, &fakeRadio{})
	answer, _ = ask(t, web, "GET", "/paired", "")
	assert.Equal(t, "asked", answer.Header.Get("Radio"))
}
