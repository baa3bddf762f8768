// Package wire encodes and decodes the board protocol, which firmware/PROTOCOL.md specifies.
package wire
