package picture

import (
	"math"

	"stillwater/internal/scene"
)

// raiseCrown sets what waves around a crown, and has its fingers and the drops that they shed.
func (b *body) raiseCrown(c *scene.Crown, d *dice) (parts []part) {
	s := shapesOf(scene.Water{Crown: c})
	if !s.crown {
		return nil
	}
	rim := new(rim)
	b.height = s.crownHeight
	b.widens = clamp(float64(c.Widening)/s.crownRadius, -0.2, 0.2)
	b.rises = clamp(float64(c.Rising)/s.crownHeight, -0.2, 0.2)
	age := clamp(c.Age, 0.05, 2)
	rim.waver(d, func(i int, by float64) { rim[i].height += float32(by) }, 0, 0.03, 0.05, 0.03, 0.02, 0.02)
	rim.waver(d, func(i int, by float64) { rim[i].radius += float32(by * s.crownRadius) }, 0, 0.02, 0.03, 0.02, 0.01)
	rim.waver(d, func(i int, by float64) { rim[i].thick += float32(by * s.wallRim) }, 0, 0, 0.1, 0.2, 0, 0.2,
		0.15, 0.1)
	for i := range rim {
		rim[i].height -= float32(c.Lean * s.crownRadius / s.crownHeight * math.Cos(azimuth(i)))
	}
	n := int(clamp(9+0.95*s.crownRadius, 9, 26))
	angles := make([]float64, n)
	for i := range angles { // each finger raises the rim below it
		angles[i] = (float64(i) + d.between(-0.32, 0.32)) * 2 * math.Pi / float64(n)
		cusp := d.between(0.05, 0.12) * min(age, 1.2)
		for j := range rim {
			rim[j].height += float32(cusp * gauss(math.Remainder(azimuth(j)-angles[i], 2*math.Pi), 0.1))
		}
	}
	b.rim = rim.arcs()
	for _, phi := range angles {
		parts = append(parts, b.crownFinger(s, c, d, phi, age)...)
	}
	return parts
}

// rimOf is where the middle of a crown's rim is, and which way it goes on. It inverts body.revolved for a crown.
func (b *body) rimOf(s shapes, phi float64) (at, along vec) {
	h, w, _ := b.rim.atAzimuth(phi)
	y := s.crownHeight
	for range 4 {
		y = s.crownHeight / (1 - h*y/(y+1.5))
	}
	u := min(y/s.crownHeight, 1.3)
	r := s.crownRadius + s.flare + w*u*u
	slope := 2 * s.flare / s.crownHeight
	return vec{r * math.Cos(phi), y, r * math.Sin(phi)}, vec{slope * math.Cos(phi), 1, slope * math.Sin(phi)}.norm()
}

// crownFinger is a finger with the bulb at its tip, and the drops before it.
func (b *body) crownFinger(s shapes, c *scene.Crown, d *dice, phi, age float64) (parts []part) {
	at, along := b.rimOf(s, phi)
	out := vec{math.Cos(phi), 0, math.Sin(phi)}
	moves := out.mul(float64(c.Widening)).add(vec{0, float64(c.Rising), 0})
	side := vec{-math.Sin(phi), 0, math.Cos(phi)}
	along = along.mad(side, d.between(-0.22, 0.22)).norm()
	size := s.rimThick
	length := d.between(0.5, 1.6) * min(age, 1.5) * (0.22*s.crownHeight + 0.9)
	tip := at.mad(along, length)
	bulb := size * d.between(0.85, 1.35)
	parts = append(parts, newThread(at.mad(along, -0.3*size), tip, size*d.between(0.85, 1.1), size*d.between(0.42,
		0.62), 1.3*size, moves),
		newDrop(tip.mad(along, 0.6*bulb), along, bulb, d.between(0, 0.25), 0.8*size, moves))
	for n := d.next() % 4; n > 1; n-- {
		tip = tip.mad(along, d.between(2.6, 5)*size).add(vec{d.between(-0.5, 0.5), d.between(-0.8, 0.3),
			d.between(-0.5, 0.5)}.mul(size))
		parts = append(parts, newDrop(tip, along, size*d.between(0.4, 1.2), d.between(-0.08, 0.2), 0.2*size,
			moves.mul(1.15)))
	}
	return parts
}

// openDome sets what waves around a dome, and has its fingers and drops.
func (b *body) openDome(w scene.Water, d *dice) (parts []part) {
	s := shapesOf(w)
	rim := new(rim)
	b.dome, b.height, b.level = true, s.domeR, s.domeY
	rim.waver(d, func(i int, by float64) { rim[i].height += float32(by * s.domeR) },
		0, 0.05, 0.035, 0.02, 0.015, 0.012, 0, 0.01)
	rim.waver(d, func(i int, by float64) { rim[i].radius += float32(by * s.domeR) },
		0, 0.05, 0.035, 0.02, 0, 0.02, 0, 0.015)
	rim.waver(d, func(i int, by float64) { rim[i].thick += float32(by * 0.11) },
		0, 0, 0, 0.12, 0, 0.16, 0, 0, 0.15, 0.12, 0, 0, 0, 0.1)
	n := int(clamp(10+1.3*s.domeR, 12, 34))
	angles := make([]float64, n)
	for i := range angles {
		angles[i] = (float64(i) + d.between(-0.4, 0.4)) * 2 * math.Pi / float64(n)
		cusp := d.between(0.035, 0.075) * s.domeR
		for j := range rim {
			rim[j].radius += float32(cusp * gauss(math.Remainder(azimuth(j)-angles[i], 2*math.Pi), 0.075))
		}
	}
	b.rim = rim.arcs()
	for _, phi := range angles {
		parts = append(parts, b.domeFinger(s, w.Dome, d, phi)...)
	}
	return parts
}

func (b *body) domeFinger(s shapes, c *scene.Dome, d *dice, phi float64) (parts []part) {
	h, wide, _ := b.rim.atAzimuth(phi)
	r := s.domeR - s.domeRim
	for range 4 {
		u := r / s.domeR
		r = s.domeR - s.domeRim + wide*min(u*u*u*u, 2)
	}
	u := r / s.domeR
	at := vec{r * math.Cos(phi), s.domeY - s.domeDroop + h*u*u, r * math.Sin(phi)}
	slope := (2*h*u-2*s.domeDroop)/s.domeR + d.between(-0.12, 0.12)
	along := vec{math.Cos(phi), slope, math.Sin(phi)}.mad(vec{-math.Sin(phi), 0, math.Cos(phi)}, d.between(-0.3,
		0.3)).norm()
	moves := along.mul(float64(c.Widening))
	size := s.domeRim
	tip := at.mad(along, d.between(1.5, 7)*size)
	parts = append(parts, newThread(at, tip, size*1.1, size*d.between(0.5, 0.75), 1.6*size, moves),
		newDrop(tip.mad(along, 0.3*size), along, size*d.between(0.9, 1.5), d.between(0, 0.3), size, moves))
	for range d.next() % 4 {
		tip = tip.mad(along, d.between(3, 8)*size).add(vec{d.between(-1, 1), d.between(-2, 0.8), d.between(-1, 1)}.mul(size))
		parts = append(parts, newDrop(tip, along, size*d.between(0.45, 1.45), d.between(-0.1, 0.2), 0.3*size,
			moves.mul(1.2)))
	}
	return parts
}
