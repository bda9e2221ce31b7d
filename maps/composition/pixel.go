package composition

import (
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/quant"
)

// pixel is the working memory of one worker.
type pixel struct {
	solver *quant.Solver
	inputs []Input
	opt    Options
	ks     []quant.KRatio
}

// relativeSum is the sum to which relative k-ratios are scaled: so low that the
// mass fractions of absorbed elements and of oxygen by stoichiometry stay below 1
// before they are normalised.
const relativeSum = 0.2

func newPixel(s *quant.Solver, inputs []Input, opt Options) *pixel {
	p := &pixel{solver: s, inputs: inputs, opt: opt, ks: make([]quant.KRatio, len(inputs))}
	for i, in := range inputs {
		p.ks[i].Peak = in.Peak
	}
	return p
}

// solve writes pixel i of the result and returns its flag.
func (p *pixel) solve(r *Result, i int) Flag {
	f := p.find(r, i)
	status := maps.OK
	switch f {
	case NoCounts:
		status = maps.Empty
	case Failed:
		status = maps.Failed
	case NotConverged:
		status = maps.NotConverged
	}
	r.Stacks[0].Status[i] = status // shared by all stacks
	r.Flags[i] = f
	if f == NoCounts || f == Failed {
		for _, s := range r.Stacks {
			s.Value.V[i], s.Sigma.V[i] = math.NaN(), math.NaN()
		}
		r.Total.V[i] = math.NaN()
	}
	return f
}

func (p *pixel) find(r *Result, i int) Flag {
	sum, variance := 0.0, 0.0
	fitted := true
	for j := range p.inputs {
		in := &p.inputs[j]
		if len(in.Counts.Status) > 0 {
			switch in.Counts.Status[i] {
			case maps.Empty:
				return NoCounts
			case maps.Failed:
				return Failed
			case maps.NotConverged:
				fitted = false
			}
		}
		n, s := in.Counts.Value.V[i], in.Counts.Sigma.V[i]
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return Failed
		}
		k := &p.ks[j]
		k.Value, k.Sigma = n/in.Standard, s/in.Standard
		sum += max(k.Value, 0)
		variance += k.Sigma * k.Sigma
	}
	if !(sum > 0) {
		return NoCounts
	}
	if p.opt.Relative {
		for j := range p.ks {
			p.ks[j].Value *= relativeSum / sum
			p.ks[j].Sigma *= relativeSum / sum
		}
	}
	res, err := p.solver.Solve(p.ks)
	if err != nil || res.Status == quant.Failed {
		return Failed
	}
	c := res.Composition
	total, sigma := c.Total()
	if p.opt.Relative {
		// The correction is that of the normalised composition, so that a scale of
		// the k-ratios is one of the mass fractions.
		if c, err = c.Normalised(); err != nil {
			return Failed
		}
	}
	n := len(c.Elements)
	for j := range r.Stacks {
		r.Stacks[j].Value.V[i] = float64(c.Mass[j])
		v := math.NaN()
		if len(c.Covariance) == n*n {
			v = math.Sqrt(max(c.Covariance[j*n+j], 0))
		}
		r.Stacks[j].Sigma.V[i] = v
	}
	r.Total.V[i] = total
	if p.opt.Relative || res.TotalByRule {
		r.Total.V[i] = math.NaN()
	}
	switch {
	case res.Status == quant.NotConverged || !fitted:
		return NotConverged
	case math.Sqrt(variance) > p.opt.WeakTotal*sum:
		return Weak
	case !p.opt.Relative && !res.TotalByRule && math.Abs(total-1) > totalTolerance && !(math.Abs(total-1)-totalTolerance < 3*sigma):
		return TotalOff
	}
	return OK
}
