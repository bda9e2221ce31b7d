package figure

import (
	"image/color"
	"math"
)

// axis maps values to places on the page.
type axis struct {
	low, high float64 // values
	from, to  float64 // their places in points
	log       bool
}

// at returns the place of v, cut to twice the length of the axis so that far
// values stay drawable.
func (a axis) at(v float64) float64 {
	t := (v - a.low) / (a.high - a.low)
	if a.log {
		t = -1
		if v > 0 {
			t = math.Log(v/a.low) / math.Log(a.high/a.low)
		}
	}
	return a.from + math.Min(2, math.Max(-1, t))*(a.to-a.from)
}

// ticks returns marks for labels that need about room points each.
func (a axis) ticks(room float64) axisTicks {
	most := max(2, int(math.Abs(a.to-a.from)/room))
	if a.log {
		return logTicks(a.low, a.high, most)
	}
	return linearTicks(a.low, a.high, most, false)
}

// withMinor adds unlabelled marks between the labelled ones of a linear axis,
// five to a step of 1 or 5, four to a step of 2.
func (t axisTicks) withMinor(a axis) axisTicks {
	if a.log || len(t.ticks) < 2 {
		return t
	}
	step := t.ticks[1].v - t.ticks[0].v
	n := 5.0
	if lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9)); lead > 1.5 && lead < 3 {
		n = 4
	}
	out := axisTicks{power: t.power}
	first := math.Ceil((a.low - t.ticks[0].v) / step * n)
	if !(step > 0) || math.Abs(first) > 1<<20 {
		return t
	}
	for i := first; ; i++ {
		v := t.ticks[0].v + i*step/n
		if v > a.high || len(out.ticks) > 200 {
			break
		}
		if math.Mod(i, n) != 0 {
			out.ticks = append(out.ticks, tick{v, ""})
		}
	}
	out.ticks = append(out.ticks, t.ticks...)
	return out
}

// plotArea is a framed area with an axis in each direction.
type plotArea struct {
	box
	x, y axis
}

var (
	axisLine = stroke{colour: midGrey, width: 0.6}
	tickLine = stroke{colour: softBlack, width: 0.5}
)

// clip keeps a run of points inside the area by moving them to its edge.
func (a plotArea) clip(q point) point {
	return point{math.Min(a.x1, math.Max(a.x0, q.x)), math.Min(a.y1, math.Max(a.y0, q.y))}
}

// drawX draws marks and numbers of the x axis below the area, without numbers
// if bare.
func (p *page) drawX(a plotArea, t axisTicks, bare bool) {
	for _, k := range t.ticks {
		x := a.x.at(k.v)
		long := tickLen
		if k.label == "" {
			long *= 0.6
		}
		p.line(tickLine, point{x, a.y1}, point{x, a.y1 + long})
		if !bare {
			p.text(point{x, a.y1 + tickLen + tickSize*0.95}, 0.5, tickStyle, k.label)
		}
	}
}

// drawY draws marks and numbers of the y axis left of the area.
func (p *page) drawY(a plotArea, t axisTicks) {
	for _, k := range t.ticks {
		y := a.y.at(k.v)
		long := tickLen
		if k.label == "" {
			long *= 0.6
		}
		p.line(tickLine, point{a.x0 - long, y}, point{a.x0, y})
		p.text(point{a.x0 - tickLen - 1.5, y + capHeight*tickSize/2}, 1, tickStyle, k.label)
	}
}

// tickWidth returns the width of the widest number.
func tickWidth(t axisTicks) float64 {
	w := 0.0
	for _, k := range t.ticks {
		w = math.Max(w, tickStyle.width(k.label))
	}
	return w
}

// lineSample is a legend entry for a line.
func lineSample(s stroke, text string) legendItem {
	return legendItem{5 * mm, func(p *page, left point) {
		p.line(s, left, point{left.x + 5*mm, left.y})
	}, text}
}

// areaSample is a legend entry for a filled area under a line.
func areaSample(fill color.Color, s stroke, text string) legendItem {
	return legendItem{4 * mm, func(p *page, left point) {
		b := box{left.x, left.y - 1.1*mm, left.x + 4*mm, left.y + 1.1*mm}
		p.fillBox(b, fill)
		p.frame(b, s)
	}, text}
}
