// Package wire is the board protocol: bytes in, messages out. It is written down in firmware/PROTOCOL.md.
package wire
