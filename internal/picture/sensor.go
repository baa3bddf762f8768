package picture

import (
	"context"
	"image"
	"math"
)

// shoulder is a sensor's answer to light, 1 is its full range: even up to where a background may be brightest
// (optics.BackgroundHigh), then bent, as raw converters bend highlights.
func shoulder(x float64) float64 {
	const knee = 0.85
	if x < knee {
		return x
	}
	return 1 - (1-knee)*math.Exp(-(x-knee)/(1-knee))
}

// encode is the transfer function of sRGB (IEC 61966-2-1), 0 to 255.
func encode(x float64) float64 {
	if x <= 0.0031308 {
		return 255 * 12.92 * max(x, 0)
	}
	return 255 * (1.055*math.Pow(x, 1/2.4) - 0.055)
}

// Full well and read noise of a sensor at ISO 100, in electrons: typical of published measurements, from memory. They
// are those of the small picture: each of its pixels is the mean of many.
const (
	fullWell  = 45000.0 * 6
	readNoise = 14.0
)

// develop adds room light and grain, and encodes.
func (r *renderer) develop(ctx context.Context) *image.RGBA {
	w, h := r.opts.Width, r.opts.Height
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	veil := r.ghost(ctx)
	amplify := max(float64(r.light.Speed), 25) / 100
	well := fullWell / amplify
	var table [1025]float64
	for i := range table {
		table[i] = encode(float64(i) / 1024)
	}
	r.rows(ctx, 1, func(y int, _ *tracer) {
		for x := range w {
			k := y*w + x
			var c vec
			if p := &r.pixels[k]; p.n > 0 {
				c = p.mean()
			}
			if veil != nil {
				c = c.add(veil.at(x, y))
			}
			d := dice(r.opts.Seed ^ uint64(k)*0x9e3779b97f4a7c15)
			grain := vec{d.normal(), d.normal(), d.normal()}
			o := img.Pix[4*k : 4*k+4]
			for i, v := range [3][2]float64{{c.x, grain.x}, {c.y, grain.y}, {c.z, grain.z}} {
				noisy := v[0] + v[1]*math.Sqrt(max(v[0], 0)/well+readNoise*readNoise/(well*well))
				s := clamp(noisy, 0, 1) * 1024
				n := min(int(s), 1023)
				o[i] = uint8(mix(table[n], table[n+1], s-float64(n)) + 0.5)
			}
			o[3] = 255
		}
	})
	return img
}

// normal is about a normal draw, with a standard deviation of 1: the sum of four even ones.
func (d *dice) normal() float64 {
	return (d.unit() + d.unit() + d.unit() + d.unit() - 2) * math.Sqrt(3)
}

// wall is the share of the room's light that what the camera sees gives back.
const wall = 0.9

// ghost is what room light adds while the shutter is open; nil if that cannot be seen.
func (r *renderer) ghost(ctx context.Context) *veil {
	level := light(r.light.Room)
	if r.light.Shut || level < 1.0/2000 {
		return nil
	}
	const apart = 4
	v := &veil{width: r.opts.Width/apart + 2, height: r.opts.Height/apart + 2, apart: apart}
	v.light = make([]vec, v.width*v.height)
	dim := *r.stage
	dim.room = around(&r.light)
	dim.room.above, dim.room.down = grey(1.6*level), grey(0.4*level)
	dim.room.hang(panel{at: vec{0, 0, -1400}, u: vec{3000, 0, 0}, v: vec{0, 2500, 0}, low: grey(wall * level),
		high: grey(wall * level)})
	dim.bottom = grey(0.3 * level)
	still := dim
	still.sheets, still.spray, still.caustic = nil, nil, nil
	if dim.body != nil {
		still.body = &body{pool: true, depth: dim.body.depth, epsilon: 0.01, least: 0.1}
	}
	seen, share := r.inSight()
	r.rows(ctx, apart, func(y int, _ *tracer) {
		t, empty := tracer{stage: &dim}, tracer{stage: &still}
		for i := range v.width {
			d := dice(uint64(y)<<20 ^ uint64(i))
			half := float64(r.opts.Width) / 2
			o, way := r.camera.ray((float64(i*apart)-half)/half, (float64(r.opts.Height)/2-float64(y))/half, 0, 0)
			sum := empty.air(o, way, 0, 1, false, -1).mul(1 - share)
			const times = 8
			first := d.unit()
			for k := range times {
				t.ms = seen * ((float64(k)+first)/times - 0.5)
				sum = sum.mad(t.air(o, way, 0, 1, false, -1), share/times)
			}
			v.light[y/apart*v.width+i] = sum
		}
	})
	for i := range v.width { // the last row repeats
		last := (r.opts.Height - 1) / apart
		for j := last + 1; j < v.height; j++ {
			v.light[j*v.width+i] = v.light[last*v.width+i]
		}
	}
	return v
}

// inSight is for how many ms what moves is in the picture while the shutter is open, and the share of that time. A
// splash stands for about 15 ms, own choice.
func (r *renderer) inSight() (ms, share float64) {
	open := max(float64(r.light.Open)*1e3, 0.1)
	speed := 0.0
	for i := range r.sheets {
		speed = max(speed, r.sheets[i].moves.len())
	}
	if speed == 0 {
		return 0, min(15/open, 1)
	}
	ms = min(1.6*r.camera.width/speed, open)
	return ms, ms / open
}

// veil is light that changes slowly over the picture.
type veil struct {
	width, height, apart int
	light                []vec
}

func (v *veil) at(x, y int) vec {
	i, j := x/v.apart, y/v.apart
	f, g := float64(x%v.apart)/float64(v.apart), float64(y%v.apart)/float64(v.apart)
	k := j*v.width + i
	return mixVec(mixVec(v.light[k], v.light[k+1], f), mixVec(v.light[k+v.width], v.light[k+v.width+1], f), g)
}
