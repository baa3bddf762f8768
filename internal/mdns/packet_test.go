package mdns

import (
	"net/netip"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/dns/dnsmessage"
)

const still = "stillwater.local."

func addrs(of ...string) (list []netip.Addr) {
	for _, a := range of {
		list = append(list, netip.MustParseAddr(a))
	}
	return list
}

func unpack(t *testing.T, packet []byte) dnsmessage.Message {
	t.Helper()
	var m dnsmessage.Message
	require.NoError(t, m.Unpack(packet))
	return m
}

// RFC 6762, section 8.1: an ANY query for the name, with the proposed records in the authority section, without the
// cache-flush bit.
func TestProbe(t *testing.T) {
	m := unpack(t, probe(still, addrs("10.0.0.1", "fd00::1")))
	assert.False(t, m.Response)
	require.Len(t, m.Questions, 1)
	assert.Equal(t, dnsmessage.Question{Name: dnsmessage.MustNewName(still), Type: 255, Class: 1}, m.Questions[0])
	require.Len(t, m.Authorities, 2)
	assert.Equal(t, dnsmessage.TypeA, m.Authorities[0].Header.Type)
	assert.Equal(t, dnsmessage.Class(1), m.Authorities[0].Header.Class)
	assert.Equal(t, dnsmessage.TypeAAAA, m.Authorities[1].Header.Type)
	assert.Empty(t, m.Answers)
}

// RFC 6762, sections 8.3, 10 and 10.2: 120 s for a host's addresses, with the cache-flush bit. Goodbye is 0 s (10.1).
func TestAnnouncement(t *testing.T) {
	m := unpack(t, announcement(still, addrs("10.0.0.1"), hostTTL))
	assert.True(t, m.Response && m.Authoritative)
	require.Len(t, m.Answers, 1)
	assert.Equal(t, dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName(still), Type: dnsmessage.TypeA, Class: 0x8001,
		TTL: 120, Length: 4}, m.Answers[0].Header)
	bye := unpack(t, announcement(still, addrs("10.0.0.1"), 0))
	assert.Zero(t, bye.Answers[0].Header.TTL)
	assert.Empty(t, bye.Additionals)
}

// The bit map of an NSEC record: the example of RFC 4034, section 4.3, has the octet 0x40 for A; AAAA is type 28, the
// fifth bit of the fourth octet (RFC 3596). The name in it is the record's own (RFC 6762, section 6.1).
func TestSaysWhatThereIsNot(t *testing.T) {
	name := "\x0astillwater\x05local\x00"
	for body, have := range map[string][]netip.Addr{
		name + "\x00\x01\x40":             addrs("10.0.0.1", "10.0.0.2"),
		name + "\x00\x04\x40\x00\x00\x08": addrs("10.0.0.1", "fd00::1"),
		name + "\x00\x04\x00\x00\x00\x08": addrs("fd00::1"),
	} {
		m := unpack(t, announcement(still, have, hostTTL))
		require.Len(t, m.Additionals, 1)
		assert.Equal(t, &dnsmessage.UnknownResource{Type: 47, Data: []byte(body)}, m.Additionals[0].Body)
	}
}

func TestReply(t *testing.T) {
	both := addrs("10.0.0.1", "fd00::1")
	ask := func(kind dnsmessage.Type) []question { return []question{{name: still, kind: kind}} }
	m := unpack(t, reply(still, both, ask(dnsmessage.TypeAAAA), 77, false))
	assert.Zero(t, m.ID)
	assert.Empty(t, m.Questions)
	require.Len(t, m.Answers, 1)
	assert.Equal(t, dnsmessage.TypeAAAA, m.Answers[0].Header.Type)
	require.Len(t, m.Additionals, 2, "the other kind, and that this is all")

	m = unpack(t, reply(still, both[:1], ask(dnsmessage.TypeAAAA), 77, false))
	require.Len(t, m.Answers, 1)
	assert.Equal(t, dnsmessage.Type(typeNSEC), m.Answers[0].Header.Type, "there is none, and who asks need not wait")

	// RFC 6762, section 6.7: a legacy resolver gets its id and question back, no cache-flush bit, at most 10 s.
	m = unpack(t, reply(still, both, ask(dnsmessage.TypeA), 77, true))
	assert.Equal(t, uint16(77), m.ID)
	require.Len(t, m.Questions, 1)
	require.Len(t, m.Answers, 1)
	assert.Equal(t, dnsmessage.Class(1), m.Answers[0].Header.Class)
	assert.Equal(t, uint32(10), m.Answers[0].Header.TTL)
}

func TestParse(t *testing.T) {
	m, ok := parse(probe("StillWater.LOCAL.", addrs("10.0.0.1", "fd00::1")))
	require.True(t, ok)
	assert.Equal(t, []question{{name: still, kind: dnsmessage.TypeALL}}, m.questions)
	assert.Equal(t, addrs("10.0.0.1", "fd00::1"), addressesOf(still, m.authority))
	assert.Len(t, m.about(still), 1)
	assert.Empty(t, m.about("other.local."))

	m, ok = parse(announcement(still, addrs("10.0.0.1"), hostTTL))
	require.True(t, ok)
	assert.True(t, m.response)
	assert.Equal(t, []addressRecord{{still, netip.MustParseAddr("10.0.0.1"), hostTTL}}, m.answers)
	m, _ = parse(announcement(still, addrs("10.0.0.1"), 0))
	assert.Empty(t, addressesOf(still, m.answers), "taken back")

	alone := dnsmessage.Message{Questions: []dnsmessage.Question{{Name: dnsmessage.MustNewName(still),
		Type: dnsmessage.TypeA, Class: 0x8001}}}
	packet, err := alone.Pack()
	require.NoError(t, err)
	m, ok = parse(packet)
	require.True(t, ok)
	assert.True(t, m.questions[0].unicast)

	for _, bad := range [][]byte{nil, {1}, make([]byte, 11), probe(still, addrs("10.0.0.1"))[:40]} {
		_, ok := parse(bad)
		assert.False(t, ok, "%x", bad)
	}
}

func TestNames(t *testing.T) {
	for _, good := range []string{"stillwater", "a", "Board-2", "7"} {
		assert.NoError(t, Check(good))
	}
	for _, bad := range []string{"", "-a", "a-", "a.b", "a b", "stillwater.local", "wässer",
		"aaaaaaaaaabbbbbbbbbbccccccccccddddddddddeeeeeeeeeeffffffffffgggg"} {
		assert.ErrorContains(t, Check(bad), "letters, digits and hyphens", bad)
	}
	long := "aaaaaaaaaabbbbbbbbbbccccccccccddddddddddeeeeeeeeeeffffffffffggg"
	s := responder{base: long, number: 12}
	assert.Equal(t, long[:60]+"-12.local", s.host())
	s = responder{base: "Stillwater", number: 1}
	assert.Equal(t, "stillwater.local", s.host())
}

// Any packet is parsed or skipped, and what is parsed can be answered.
func FuzzParse(f *testing.F) {
	f.Add(probe(still, addrs("10.0.0.1", "fd00::1")))
	f.Add(announcement(still, addrs("10.0.0.1"), hostTTL))
	f.Add(reply(still, addrs("10.0.0.1"), []question{{name: still, kind: dnsmessage.TypeAAAA}}, 9, true))
	f.Fuzz(func(t *testing.T, packet []byte) {
		m, ok := parse(packet)
		if !ok {
			return
		}
		if asked := m.about(still); len(asked) > 0 && len(asked) < 100 {
			answer, ok := parse(reply(still, addrs("10.0.0.1"), asked, m.id, true))
			assert.True(t, ok && answer.response)
		}
	})
}
