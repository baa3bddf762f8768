package page

import (
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"

	"stillwater/internal/control"
)

// Radio is the machine's Wi-Fi as far as the page may change it.
type Radio interface {
	Country() (code string, err error) // "" none was chosen
	SetCountry(code string) error
	Countries() []string // to choose from
}

// RadioView answers a phone that asks about the radio.
type RadioView struct {
	Country   string   `json:"country"`   // as two letters; "" none was chosen
	Problem   string   `json:"problem"`   // why it cannot be read, in words; "" none
	Countries []string `json:"countries"` // to choose from
}

// handleRadio adds the routes for the radio, if there is one.
func (s *Server) handleRadio(mux *http.ServeMux) {
	if s.opts.Radio == nil {
		return
	}
	mux.HandleFunc("GET /radio", func(w http.ResponseWriter, r *http.Request) {
		if !s.mayLook(w, r) {
			return
		}
		view := RadioView{Countries: s.opts.Radio.Countries()}
		var err error
		if view.Country, err = s.opts.Radio.Country(); err != nil {
			s.log.Warn("cannot read the country", "err", err)
			view.Problem = "The country that was chosen cannot be read. Choose it again."
		}
		w.Header().Set("Content-Type", "application/json")
		json.NewEncoder(w).Encode(view)
	})
	mux.HandleFunc("POST /radio", s.setCountry)
}

const maxRadioBodyBytes = 64 // bytes

// setCountry chooses the country, while nothing is armed: the radio may fall silent for a moment, and with it the phone
// that could disarm.
func (s *Server) setCountry(w http.ResponseWriter, r *http.Request) {
	if !sameOrigin(r) {
		refuse(w, http.StatusForbidden, "", "This request did not come from this machine's own page.",
			"Open the page from the address the machine shows.")
		return
	}
	if !s.mayLook(w, r) {
		return
	}
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "", "The country must be sent as JSON.",
			"Send Content-Type: application/json.")
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxRadioBodyBytes))
	var code string
	if err == nil {
		code, err = parseOnly(body, "country")
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, "country", fmt.Sprintf("The country could not be read: %v.", err),
			`Send {"country":"DE"} and nothing else.`)
		return
	}
	if state := s.opts.Control.Snapshot().State; state != control.Safe && state != control.Fault {
		refuse(w, http.StatusConflict, "country", "The country cannot be changed while something is armed: the radio may "+
			"drop out for a moment.", "Disarm first.")
		return
	}
	if err := s.opts.Radio.SetCountry(code); err != nil {
		s.log.Warn("cannot change the country", "err", err)
		refuse(w, http.StatusUnprocessableEntity, "country", fmt.Sprintf("The country was not changed: %v.", err),
			"Choose one from the list.")
		return
	}
	s.log.Info("the country of the Wi-Fi was chosen", "country", code)
	w.WriteHeader(http.StatusNoContent)
}
