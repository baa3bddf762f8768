package mdns

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"golang.org/x/net/dns/dnsmessage"
)

const (
	topClassBit = 1 << 15 // of a question's class: unicast response; of a record's: cache flush (RFC 6762, 5.4, 10.2)
	hostTTL     = 120     // seconds, for records with a host's name (section 10)
	legacyTTL   = 10      // seconds at most, for one-shot resolvers (section 6.7)
	typeNSEC    = 47      // NSEC: lists the types a name has, and so denies the others (section 6.1)
)

// message is the part of a packet that is used here.
type message struct {
	id        uint16
	response  bool
	questions []question
	answers   []addressRecord // of the answer and additional sections
	authority []addressRecord // what a prober wants to claim
}

type question struct {
	name    string // lower case, with the final dot
	kind    dnsmessage.Type
	unicast bool // a unicast response is wanted
}

// addressRecord is an A or AAAA record.
type addressRecord struct {
	name string
	addr netip.Addr
	ttl  uint32
}

// parse decodes a packet; ok is false if it is malformed. Records of other types are skipped.
func parse(packet []byte) (message, bool) {
	var p dnsmessage.Parser
	header, err := p.Start(packet)
	if err != nil || header.OpCode != 0 || header.RCode != dnsmessage.RCodeSuccess {
		return message{}, false
	}
	m := message{id: header.ID, response: header.Response}
	questions, err := p.AllQuestions()
	if err != nil {
		return message{}, false
	}
	for _, q := range questions {
		m.questions = append(m.questions,
			question{lowerName(q.Name), q.Type, q.Class&topClassBit != 0})
	}
	if m.answers, err = parseAddresses(p.AnswerHeader, p.SkipAnswer, &p); err != nil {
		return message{}, false
	}
	if m.authority, err = parseAddresses(p.AuthorityHeader, p.SkipAuthority, &p); err != nil {
		return message{}, false
	}
	more, err := parseAddresses(p.AdditionalHeader, p.SkipAdditional, &p)
	if err != nil {
		return message{}, false
	}
	m.answers = append(m.answers, more...)
	return m, true
}

// parseAddresses reads the address records of one section.
func parseAddresses(next func() (dnsmessage.ResourceHeader, error), skip func() error,
	p *dnsmessage.Parser) ([]addressRecord, error) {
	var list []addressRecord
	for {
		h, err := next()
		if err == dnsmessage.ErrSectionDone {
			return list, nil
		}
		if err != nil {
			return nil, err
		}
		c := addressRecord{name: lowerName(h.Name), ttl: h.TTL}
		switch h.Type {
		case dnsmessage.TypeA:
			body, err := p.AResource()
			if err != nil {
				return nil, err
			}
			c.addr = netip.AddrFrom4(body.A)
		case dnsmessage.TypeAAAA:
			body, err := p.AAAAResource()
			if err != nil {
				return nil, err
			}
			c.addr = netip.AddrFrom16(body.AAAA)
		default:
			if err := skip(); err != nil {
				return nil, err
			}
			continue
		}
		list = append(list, c)
	}
}

func lowerName(n dnsmessage.Name) string { return strings.ToLower(n.String()) }

// builder writes one packet about one name and keeps the first error.
type builder struct {
	dnsmessage.Builder
	name dnsmessage.Name
	err  error
}

func build(name string, h dnsmessage.Header) *builder {
	b := &builder{Builder: dnsmessage.NewBuilder(nil, h)}
	b.name, b.err = dnsmessage.NewName(name)
	b.EnableCompression()
	return b
}

func (b *builder) do(err error) {
	if b.err == nil {
		b.err = err
	}
}

func (b *builder) header(kind dnsmessage.Type, class dnsmessage.Class, seconds uint32) dnsmessage.ResourceHeader {
	return dnsmessage.ResourceHeader{Name: b.name, Type: kind, Class: class, TTL: seconds}
}

func (b *builder) addresses(of []netip.Addr, class dnsmessage.Class, seconds uint32) {
	for _, a := range of {
		if a.Is4() {
			b.do(b.AResource(b.header(dnsmessage.TypeA, class, seconds), dnsmessage.AResource{A: a.As4()}))
		} else {
			b.do(b.AAAAResource(b.header(dnsmessage.TypeAAAA, class, seconds), dnsmessage.AAAAResource{AAAA: a.As16()}))
		}
	}
}

// nsec adds a record of which address types the name has: RFC 6762, section 6.1. Its data is the name and a type bit
// map, RFC 4034, section 4.1.2.
func (b *builder) nsec(of []netip.Addr, class dnsmessage.Class, seconds uint32) {
	var body []byte
	for label := range strings.SplitSeq(strings.TrimSuffix(b.name.String(), "."), ".") {
		body = append(append(body, byte(len(label))), label...)
	}
	bits := make([]byte, dnsmessage.TypeAAAA/8+1)
	for _, a := range of {
		bits[kindOf(a)/8] |= 0x80 >> (kindOf(a) % 8)
	}
	for bits[len(bits)-1] == 0 {
		bits = bits[:len(bits)-1]
	}
	body = append(append(body, 0, 0, byte(len(bits))), bits...)
	b.do(b.UnknownResource(b.header(typeNSEC, class, seconds), dnsmessage.UnknownResource{Type: typeNSEC, Data: body}))
}

func kindOf(a netip.Addr) dnsmessage.Type {
	if a.Is4() {
		return dnsmessage.TypeA
	}
	return dnsmessage.TypeAAAA
}

func (b *builder) finish() []byte {
	packet, err := b.Finish()
	b.do(err)
	if b.err != nil { // names are checked before, and a packet about one fits
		panic(fmt.Sprintf("mdns: packet about %s: %v", b.name, b.err))
	}
	return packet
}

// probe asks whether a name is free and proposes its addresses: RFC 6762, section 8.1.
func probe(name string, addrs []netip.Addr) []byte {
	b := build(name, dnsmessage.Header{})
	b.do(b.StartQuestions())
	b.do(b.Question(dnsmessage.Question{Name: b.name, Type: dnsmessage.TypeALL, Class: dnsmessage.ClassINET}))
	b.do(b.StartAuthorities())
	b.addresses(addrs, dnsmessage.ClassINET, hostTTL)
	return b.finish()
}

// announcement states that the name has these addresses and no others; with 0 seconds it withdraws them.
func announcement(name string, addrs []netip.Addr, seconds uint32) []byte {
	b := build(name, dnsmessage.Header{Response: true, Authoritative: true})
	b.do(b.StartAnswers())
	b.addresses(addrs, dnsmessage.ClassINET|topClassBit, seconds)
	if seconds > 0 {
		b.do(b.StartAdditionals())
		b.nsec(addrs, dnsmessage.ClassINET|topClassBit, seconds)
	}
	return b.finish()
}

// reply answers questions about a name; a legacy resolver gets its id and questions back.
func reply(name string, addrs []netip.Addr, asked []question, id uint16, plain bool) []byte {
	h := dnsmessage.Header{Response: true, Authoritative: true}
	class, seconds := dnsmessage.Class(dnsmessage.ClassINET|topClassBit), uint32(hostTTL)
	if plain {
		h.ID, class, seconds = id, dnsmessage.ClassINET, legacyTTL
	}
	b := build(name, h)
	b.do(b.StartQuestions())
	for _, q := range asked {
		if plain {
			b.do(b.Question(dnsmessage.Question{Name: b.name, Type: q.kind, Class: dnsmessage.ClassINET}))
		}
	}
	answered := slices.DeleteFunc(slices.Clone(addrs), func(a netip.Addr) bool { return !asksFor(asked, kindOf(a)) })
	rest := slices.DeleteFunc(slices.Clone(addrs), func(a netip.Addr) bool { return asksFor(asked, kindOf(a)) })
	b.do(b.StartAnswers())
	b.addresses(answered, class, seconds)
	if len(answered) == 0 {
		b.nsec(addrs, class, seconds)
	}
	b.do(b.StartAdditionals())
	b.addresses(rest, class, seconds)
	if len(answered) > 0 {
		b.nsec(addrs, class, seconds)
	}
	return b.finish()
}

func asksFor(asked []question, kind dnsmessage.Type) bool {
	return slices.ContainsFunc(asked, func(q question) bool { return q.kind == kind || q.kind == dnsmessage.TypeALL })
}

// about selects the questions about a name's addresses, or about all its records.
func (m message) about(name string) (asked []question) {
	for _, q := range m.questions {
		kind := q.kind == dnsmessage.TypeA || q.kind == dnsmessage.TypeAAAA || q.kind == dnsmessage.TypeALL
		if kind && q.name == name {
			asked = append(asked, q)
		}
	}
	return asked
}

// addressesOf lists a name's addresses, without withdrawn ones.
func addressesOf(name string, records []addressRecord) (addrs []netip.Addr) {
	for _, c := range records {
		if c.name == name && c.ttl > 0 {
			addrs = append(addrs, c.addr)
		}
	}
	return addrs
}
