package elevation

import "stillwater/internal/phys"

// drawSound draws microphone and source at their distance. Their signs have no scale.
func (f *figure) drawSound() {
	n, e := f.set.Sound, f.estimate
	distance := f.length("sound.distance", n.Distance, "to microphone", "from the sound")
	air := f.dimension("sound.temperature", short(n.Temperature), n.Temperature.String(), "air", "its temperature")
	after := f.dimension("sound.after", short(n.After), n.After.String(), "after the sound", "the moment")
	air.noLead = true
	const y, low = 104.0, 140.0
	source, microphone := point{52, y}, point{f.width - 52, y}
	f.scale = (microphone.x - source.x) / float64(n.Distance)

	focusSign(&f.back, source)
	momentSign(&f.back, source)
	f.back.sign("water", source, 44, "M22-14a26 26 0 0 1 0 28M30-19a36 36 0 0 1 0 38M38-24a45 45 0 0 1 0 48")
	f.back.sign("object", microphone, 22, "M-8-8a8 8 0 0 0 0 16zM-8-8h12v16h-12M4 0h16")
	distance.marks.lines("thin", source.plus(point{0, 16}), point{source.x, low + 4})
	distance.marks.lines("thin", microphone.plus(point{0, 14}), point{microphone.x, low + 4})
	distance.marks.measure(point{source.x, low}, point{microphone.x, low}, false)
	distance.tip, air.tip, after.tip = between(point{source.x, low}, point{microphone.x, low}), point{f.width / 2, y - 16},
		source.plus(point{0, -14})
	f.row([]dimension{after, air}, margin)
	f.row([]dimension{distance}, low+12)

	f.say("Sound and microphone are %s from each other, in air of %s.", inLength(n.Distance), short(n.Temperature))
	f.explain(focusSign, "Focus spot: where the sound is made.")
	if !f.works {
		return
	}
	if e.Delay >= 0 {
		f.explain(momentSign, "The moment: %s after the sound%s. The microphone hears it after %s.", short(n.After), f.trim(),
			inMs(e.Travel))
		return
	}
	come := e.Travel + e.Delay // since it was made
	f.explain(momentSign, "The moment would be %s before the microphone hears the sound.", inMs(-e.Delay))
	if come <= 0 {
		return
	}
	x := source.x + f.scale*float64(e.Speed)*float64(come)
	f.back.lines("way", point{x, y - 22}, point{x, y + 22})
	f.explain(func(p *pen, at point) { p.lines("way", at.plus(point{0, -7}), at.plus(point{0, 7})) },
		"How far the sound has come by then: %s.", about(phys.Length(float64(e.Speed)*float64(come))))
}
