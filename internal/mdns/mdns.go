// Package mdns makes the page be found by a name on the local network, stillwater.local, with no server for names:
// multicast DNS, RFC 6762. It asks whether the name is free before it takes it, answers for it, and gives way to
// another machine that has it by taking the next one, stillwater-2.local.
//
// Of the standard it has what a host's name needs: probing, announcing, answering, conflicts, saying goodbye. It does
// not offer services. Sections and figures of the standard are cited from memory; the tests hold the whole against
// another implementation.
//
// It is here only because no library that could be had on 2026-11-28 probes for a name and defends it:
// github.com/pion/mdns/v2 v2.2.2 (October 2026) and github.com/hashicorp/mdns v1.0.7 (June 2026) answer at once for
// whatever name they are given. When one does, it takes the place of this.
package mdns

import (
	"context"
	"fmt"
	"log/slog"
	"net/netip"
	"slices"
	"time"

	"stillwater/internal/hostname"
)

// Options is what Run needs.
type Options struct {
	Name   string      // one label, without ".local"
	Listen netip.Addr  // where the page listens: nothing is said on other networks
	Found  func(Found) // called at each change of how the page is found; never twice at a time
	Log    *slog.Logger

	links func(netip.Addr) ([]link, []netip.Addr, error) // nil: those of this machine
	open  func([]link) (air, error)
}

// Found says how the page is found.
type Found struct {
	Name     string        // "stillwater.local"
	Networks []string      // the interfaces on which it is so
	System   bool          // the machine has this name anyway, and its own system answers for it
	Taken    []TakenByPeer // names that were wanted before
}

// TakenByPeer is a name that another machine has.
type TakenByPeer struct {
	Name string
	By   netip.Addr
}

// Check says what is wrong with a name.
func Check(name string) error {
	if !hostname.Valid(name) {
		return fmt.Errorf("%q is no name for a host: use 1 to 63 letters, digits and hyphens, such as stillwater", name)
	}
	return nil
}

const (
	lookEvery  = 3 * time.Second  // for networks that come and go
	retryAfter = 30 * time.Second // when the network does not let us speak
)

// link is a network that the machine is on, with the machine's addresses there.
type link struct {
	index int
	name  string
	addrs []netip.Addr
}

// Run answers for the name until the context ends. It returns at once when the page listens to this machine only. A
// network that is not there, or does not let us speak, is tried again.
func Run(ctx context.Context, o Options) error {
	if err := Check(o.Name); err != nil {
		return fmt.Errorf("mdns: %w", err)
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.links == nil {
		o.links, o.open = ownLinks, open
	}
	if o.Listen.IsLoopback() {
		return nil
	}
	r := runner{o: o, number: 1}
	for ctx.Err() == nil {
		r.once(ctx)
	}
	return nil
}

// runner is what outlives a change of networks: the number in the name, and what was said last.
type runner struct {
	o       Options
	number  int
	said    Found
	trouble string
}

// once speaks on the networks there are until they change.
func (r *runner) once(ctx context.Context) {
	links, own, err := r.o.links(r.o.Listen)
	var a air
	if err == nil && len(links) > 0 {
		a, err = r.o.open(links)
	}
	r.note(err)
	if a == nil {
		wait := lookEvery
		if err != nil {
			wait = retryAfter
		}
		r.untilChange(ctx, links, wait)
		return
	}
	defer a.close()
	same, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		defer cancel()
		r.untilChange(same, links, 0)
	}()
	s := speaker{air: a, links: links, own: own, base: r.o.Name, number: r.number, found: r.tell}
	s.run(same)
	r.number = s.number
}

// untilChange waits until the networks are others, or so long if that is not 0.
func (r *runner) untilChange(ctx context.Context, links []link, most time.Duration) {
	for waited := time.Duration(0); most == 0 || waited < most; waited += lookEvery {
		select {
		case <-ctx.Done():
			return
		case <-time.After(lookEvery):
		}
		now, _, err := r.o.links(r.o.Listen)
		if err == nil && !slices.EqualFunc(links, now, link.same) {
			return
		}
	}
}

func (l link) same(m link) bool { return l.index == m.index && slices.Equal(l.addrs, m.addrs) }

// note logs why the name cannot be announced, once.
func (r *runner) note(err error) {
	words := ""
	if err != nil {
		words = err.Error()
	}
	if words != r.trouble && words != "" {
		r.o.Log.Warn("the page's name cannot be announced on the network; its address works, and it is tried again",
			"err", err)
	}
	r.trouble = words
}

// tell passes news on.
func (r *runner) tell(f Found) {
	for _, l := range f.Networks {
		r.o.Log.Debug("name", "name", f.Name, "on", l)
	}
	if f.Name == r.said.Name && f.System == r.said.System && slices.Equal(f.Networks, r.said.Networks) {
		return
	}
	r.said = f
	if r.o.Found != nil {
		r.o.Found(f)
	}
}
