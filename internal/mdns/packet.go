package mdns

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"

	"golang.org/x/net/dns/dnsmessage"
)

const (
	topBit  = 1 << 15 // of a question's class: answer me alone; of a record's: this is all there is (RFC 6762, 5.4, 10.2)
	ttl     = 120     // seconds, for records with a host's name (section 10)
	legacy  = 10      // seconds at most, for those who know only plain DNS (section 6.7)
	typeNot = 47      // NSEC: says which records a name has, and so which it has not (section 6.1)
)

// message is what matters of a packet.
type message struct {
	id        uint16
	response  bool
	questions []question
	answers   []claim // of any section that states facts
	proposed  []claim // what a prober wants to have
}

type question struct {
	name  string // small letters, with the dot at the end
	kind  dnsmessage.Type
	alone bool // answer only the one who asks
}

// claim says that a name has an address.
type claim struct {
	name string
	addr netip.Addr
	ttl  uint32
}

// parse reads a packet; false when it is none that can be read. Records of other kinds are passed over.
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
			question{lower(q.Name), q.Type, q.Class&topBit != 0})
	}
	if m.answers, err = claims(p.AnswerHeader, p.SkipAnswer, &p); err != nil {
		return message{}, false
	}
	if m.proposed, err = claims(p.AuthorityHeader, p.SkipAuthority, &p); err != nil {
		return message{}, false
	}
	more, err := claims(p.AdditionalHeader, p.SkipAdditional, &p)
	if err != nil {
		return message{}, false
	}
	m.answers = append(m.answers, more...)
	return m, true
}

// claims reads the addresses of one section.
func claims(next func() (dnsmessage.ResourceHeader, error), skip func() error, p *dnsmessage.Parser) ([]claim, error) {
	var list []claim
	for {
		h, err := next()
		if err == dnsmessage.ErrSectionDone {
			return list, nil
		}
		if err != nil {
			return nil, err
		}
		c := claim{name: lower(h.Name), ttl: h.TTL}
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

func lower(n dnsmessage.Name) string { return strings.ToLower(n.String()) }

// builder writes one packet about one name. The first thing that goes wrong is kept.
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

// only says which kinds of address the name has, and that it has no others: RFC 6762, section 6.1. The body is the name
// and a bit map of types in their order, RFC 4034, section 4.1.2.
func (b *builder) only(of []netip.Addr, class dnsmessage.Class, seconds uint32) {
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
	b.do(b.UnknownResource(b.header(typeNot, class, seconds), dnsmessage.UnknownResource{Type: typeNot, Data: body}))
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
	if b.err != nil { // a name is checked before it comes here, and a packet about one has room
		panic(fmt.Sprintf("mdns: packet about %s: %v", b.name, b.err))
	}
	return packet
}

// probe asks whether a name is free and says what is wanted of it: RFC 6762, section 8.1.
func probe(name string, addrs []netip.Addr) []byte {
	b := build(name, dnsmessage.Header{})
	b.do(b.StartQuestions())
	b.do(b.Question(dnsmessage.Question{Name: b.name, Type: dnsmessage.TypeALL, Class: dnsmessage.ClassINET}))
	b.do(b.StartAuthorities())
	b.addresses(addrs, dnsmessage.ClassINET, ttl)
	return b.finish()
}

// announcement says that the name has these addresses and no others; with no seconds to live, that it has them no more.
func announcement(name string, addrs []netip.Addr, seconds uint32) []byte {
	b := build(name, dnsmessage.Header{Response: true, Authoritative: true})
	b.do(b.StartAnswers())
	b.addresses(addrs, dnsmessage.ClassINET|topBit, seconds)
	if seconds > 0 {
		b.do(b.StartAdditionals())
		b.only(addrs, dnsmessage.ClassINET|topBit, seconds)
	}
	return b.finish()
}

// reply answers questions about a name: to one who speaks plain DNS as such a one expects it, question and all.
func reply(name string, addrs []netip.Addr, asked []question, id uint16, plain bool) []byte {
	h := dnsmessage.Header{Response: true, Authoritative: true}
	class, seconds := dnsmessage.Class(dnsmessage.ClassINET|topBit), uint32(ttl)
	if plain {
		h.ID, class, seconds = id, dnsmessage.ClassINET, legacy
	}
	b := build(name, h)
	b.do(b.StartQuestions())
	for _, q := range asked {
		if plain {
			b.do(b.Question(dnsmessage.Question{Name: b.name, Type: q.kind, Class: dnsmessage.ClassINET}))
		}
	}
	told := slices.DeleteFunc(slices.Clone(addrs), func(a netip.Addr) bool { return !asksFor(asked, kindOf(a)) })
	rest := slices.DeleteFunc(slices.Clone(addrs), func(a netip.Addr) bool { return asksFor(asked, kindOf(a)) })
	b.do(b.StartAnswers())
	b.addresses(told, class, seconds)
	if len(told) == 0 {
		b.only(addrs, class, seconds)
	}
	b.do(b.StartAdditionals())
	b.addresses(rest, class, seconds)
	if len(told) > 0 {
		b.only(addrs, class, seconds)
	}
	return b.finish()
}

func asksFor(asked []question, kind dnsmessage.Type) bool {
	return slices.ContainsFunc(asked, func(q question) bool { return q.kind == kind || q.kind == dnsmessage.TypeALL })
}

// about keeps the questions on a name's addresses, or on anything it has.
func (m message) about(name string) (asked []question) {
	for _, q := range m.questions {
		kind := q.kind == dnsmessage.TypeA || q.kind == dnsmessage.TypeAAAA || q.kind == dnsmessage.TypeALL
		if kind && q.name == name {
			asked = append(asked, q)
		}
	}
	return asked
}

// addressesOf lists what claims say of a name, leaving out what is taken back.
func addressesOf(name string, claims []claim) (addrs []netip.Addr) {
	for _, c := range claims {
		if c.name == name && c.ttl > 0 {
			addrs = append(addrs, c.addr)
		}
	}
	return addrs
}
