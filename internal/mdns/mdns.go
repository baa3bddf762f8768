// Package mdns makes the page reachable by a name on the local network, stillwater.local, without a name server:
// multicast DNS, RFC 6762. It probes whether the name is free before claiming it, answers for it, and yields to another
// machine that has it by claiming the next one, stillwater-2.local.
//
// It implements what a host name needs: probing, announcing, answering, conflicts, goodbyes. It does not offer
// services. Sections and figures of the standard are cited from memory; the tests run it against another
// implementation.
//
// It exists only because no library available on 2026-11-28 probes for a name and defends it: github.com/pion/mdns/v2
// v2.2.2 (October 2026) and github.com/hashicorp/mdns v1.0.7 (June 2026) answer at once for whatever name they are
// given. One that does can replace this package.
package mdns

import (
	"context"
	"fmt"
	"log/slog"
	"net/netip"
	"slices"
	"sync"
	"time"

	"stillwater/internal/hostname"
)

// Options say which name to announce, on which networks, and where its status is reported.
type Options struct {
	Name     string       // one label, without ".local"
	Listen   netip.Addr   // where the page listens: other networks are left alone
	OnStatus func(Status) // called when the status has changed; never concurrently
	Log      *slog.Logger

	links func(netip.Addr) ([]link, []netip.Addr, error) // nil: this machine's
	open  func([]link) (transport, error)
}

// Status is the name under which the page is announced.
type Status struct {
	Name     string        // "stillwater.local"
	Networks []string      // the interfaces it is announced on
	System   bool          // another program of this machine answers for the name
	Taken    []TakenByPeer // names tried before
}

// TakenByPeer is a name that another machine has.
type TakenByPeer struct {
	Name string
	By   netip.Addr
}

// Check returns an error if name is not a valid host name.
func Check(name string) error {
	if !hostname.Valid(name) {
		return fmt.Errorf("%q is not a name for a host: use 1 to 63 letters, digits and hyphens, such as stillwater", name)
	}
	return nil
}

const (
	pollInterval = 3 * time.Second  // for networks that come and go
	retryDelay   = 30 * time.Second // when the network refuses multicast
)

// link is a network interface with the machine's addresses on it.
type link struct {
	index int
	name  string
	addrs []netip.Addr
}

// Run answers for the name until the context ends. It returns at once if the page listens on loopback only. A network
// that is absent or refuses multicast is tried again.
func Run(ctx context.Context, opts Options) error {
	if err := Check(opts.Name); err != nil {
		return fmt.Errorf("mdns: %w", err)
	}
	if opts.Log == nil {
		opts.Log = slog.Default()
	}
	if opts.links == nil {
		opts.links, opts.open = localLinks, open
	}
	if opts.Listen.IsLoopback() {
		return nil
	}
	r := runner{opts: opts, number: 1}
	for ctx.Err() == nil {
		r.serve(ctx)
	}
	return nil
}

// runner is the state that outlives a change of networks: the suffix of the name and what was reported last.
type runner struct {
	opts    Options
	number  int
	last    Status
	lastErr string
}

// serve announces the name on the current networks until they change.
func (r *runner) serve(ctx context.Context) {
	links, own, err := r.opts.links(r.opts.Listen)
	var t transport
	if err == nil && len(links) > 0 {
		t, err = r.opts.open(links)
	}
	r.logOnce(err)
	if t == nil {
		wait := pollInterval
		if err != nil {
			wait = retryDelay
		}
		r.waitForChange(ctx, links, wait)
		return
	}
	defer t.close()
	same, cancel := context.WithCancel(ctx)
	var watching sync.WaitGroup
	defer watching.Wait()
	defer cancel()
	watching.Go(func() {
		defer cancel()
		r.waitForChange(same, links, 0)
	})
	s := responder{transport: t, links: links, own: own, base: r.opts.Name, number: r.number, publish: r.publish}
	s.run(same)
	r.number = s.number
}

// waitForChange returns when the networks have changed, or after most unless that is 0.
func (r *runner) waitForChange(ctx context.Context, links []link, most time.Duration) {
	for waited := time.Duration(0); most == 0 || waited < most; waited += pollInterval {
		select {
		case <-ctx.Done():
			return
		case <-time.After(pollInterval):
		}
		now, _, err := r.opts.links(r.opts.Listen)
		if err == nil && !slices.EqualFunc(links, now, link.same) {
			return
		}
	}
}

func (l link) same(m link) bool { return l.index == m.index && slices.Equal(l.addrs, m.addrs) }

// logOnce logs why the name cannot be announced unless it was logged before.
func (r *runner) logOnce(err error) {
	words := ""
	if err != nil {
		words = err.Error()
	}
	if words != r.lastErr && words != "" {
		r.opts.Log.Warn("the page's name cannot be announced on the network; its address works, and it is tried again",
			"err", err)
	}
	r.lastErr = words
}

// publish reports a status that differs from the last.
func (r *runner) publish(s Status) {
	for _, l := range s.Networks {
		r.opts.Log.Debug("name", "name", s.Name, "on", l)
	}
	if s.Name == r.last.Name && s.System == r.last.System && slices.Equal(s.Networks, r.last.Networks) {
		return
	}
	r.last = s
	if r.opts.OnStatus != nil {
		r.opts.OnStatus(s)
	}
}
