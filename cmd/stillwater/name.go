package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"strings"

	"stillwater/internal/mdns"
)

// name is what the page is called on the network: the flag's word counts before the configuration's; "" is no name.
func (f daemonFlags) pageName(configured string) (string, error) {
	name := configured
	if f.name != nil {
		name = *f.name
	}
	if name == "" {
		return "", nil
	}
	if err := mdns.Check(name); err != nil {
		return "", fmt.Errorf("%w: --name %w", errUsage, err)
	}
	return name, nil
}

// announceName makes the page be found by its name until the context ends. It says what the name is on the terminal and
// to found, since another machine may have the one that was wanted. It asks the network first, so it says so after a
// moment, and each time a network comes or goes. Call what it returns to wait for the goodbye.
func (m *Main) announceName(
	ctx context.Context, name string, at netip.AddrPort, log *slog.Logger, found func(name string),
) (done func()) {
	if name == "" {
		return func() {}
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		err := mdns.Run(ctx, mdns.Options{Name: name, Listen: at.Addr(), Log: log, OnStatus: func(f mdns.Status) {
			fmt.Fprintf(m.Stdout, "  by name       %s\n", nameWords(f, at.Port()))
			found(f.Name)
		}})
		if err != nil {
			log.Warn("the page has no name on the network; its address works", "err", err)
		}
	}()
	return func() { <-ended }
}

// nameWords says the page's address by name, where that is so, and why the name is not the one wanted.
func nameWords(f mdns.Status, port uint16) string {
	words := fmt.Sprintf("http://%s/ (on %s", net.JoinHostPort(f.Name, fmt.Sprint(port)), strings.Join(f.Networks, ", "))
	if f.System {
		words += ", this machine's own name"
	}
	for _, taken := range f.Taken {
		words += fmt.Sprintf("; %s is another machine's, at %s", taken.Name, taken.By)
	}
	return words + ")"
}
