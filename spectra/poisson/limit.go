package poisson

import (
	"errors"
	"fmt"
	"math"
)

// ErrRange is wrapped by every error about an argument outside its range.
var ErrRange = errors.New("argument out of range")

// ErrSingular is wrapped by errors about parameters that the data cannot tell
// apart.
var ErrSingular = errors.New("parameters cannot be told apart")

// CriticalCount returns the smallest count n_c with P(N > n_c | background) ≤
// alpha: a signal is claimed if more than n_c counts are seen over a known
// background ≥ 0, 0 < alpha < 1. It returns −1 for arguments outside these
// ranges.
//
// Source: definition; the exact form of the critical level of Currie (1968),
// Anal. Chem. 40, 586, for a known background.
func CriticalCount(background, alpha float64) int {
	if !(background >= 0) || background > 1e15 || !(alpha > 0 && alpha < 1) {
		return -1
	}
	n := 0
	if background > 10 {
		n = max(0, int(background+normalUpperQuantile(alpha)*math.Sqrt(background)))
	}
	for n > 0 && TailP(n, background) <= alpha {
		n--
	}
	for TailP(n+1, background) > alpha {
		n++
	}
	return n
}

// DetectionLimit returns the least signal (expected counts) that exceeds
// CriticalCount(background, alpha) with probability at least 1 − beta, the
// background ≥ 0 being known: P(N ≤ n_c | background + L_D) = beta, that is
// L_D = chi2(1−beta; 2n_c+2)/2 − background, not below 0. It returns NaN for
// arguments outside their ranges (0 < alpha, beta < 1).
//
// Source: Currie (1968), Anal. Chem. 40, 586, definition of the detection
// limit, with the Poisson law in place of the normal one.
func DetectionLimit(background, alpha, beta float64) float64 {
	nc := CriticalCount(background, alpha)
	if nc < 0 || !(beta > 0 && beta < 1) {
		return math.NaN()
	}
	return math.Max(0, gammaQuantile(float64(nc)+1, beta, true)-background)
}

// CurrieLimits are the three levels of Currie, in net counts.
type CurrieLimits struct {
	Critical       float64 // L_C: above it a signal is claimed
	Detection      float64 // L_D: this signal is found with probability 1 − beta
	Quantification float64 // L_Q: this signal has a relative standard deviation of 10 %
}

// CurrieKnown returns the normal-theory limits for a well-known background of
// expected counts background ≥ 0 (standard deviation of the blank
// sqrt(background)); 0 < alpha, beta < 1/2. Below about 20 background counts
// the normal law fails: use CriticalCount and DetectionLimit. Arguments
// outside the ranges give NaN.
//
// Source: Currie (1968), Anal. Chem. 40, 586, table II ("well-known" blank).
func CurrieKnown(background, alpha, beta float64) CurrieLimits {
	return currie(background, background, alpha, beta)
}

// CurriePaired returns the same for paired observations, where the background
// is measured once more under equal conditions (standard deviation of the
// difference sqrt(2·background)).
//
// Source: Currie (1968), Anal. Chem. 40, 586, table II (paired observations).
func CurriePaired(background, alpha, beta float64) CurrieLimits {
	return currie(background, 2*background, alpha, beta)
}

// currie takes the variance var0 of the net count at zero signal.
func currie(background, var0, alpha, beta float64) CurrieLimits {
	nan := math.NaN()
	if !(background >= 0) || !(alpha > 0 && alpha < 0.5) || !(beta > 0 && beta < 0.5) {
		return CurrieLimits{nan, nan, nan}
	}
	const kq = 10 // reciprocal of the relative standard deviation at L_Q
	ka, kb := normalUpperQuantile(alpha), normalUpperQuantile(beta)
	lc := ka * math.Sqrt(var0)
	// L_D = L_C + k_beta·sqrt(L_D + var0), solved for L_D (Currie eq. 9).
	ld := lc + kb*kb/2 + kb*math.Sqrt(kb*kb/4+lc+var0)
	lq := kq * kq / 2 * (1 + math.Sqrt(1+4*var0/(kq*kq)))
	return CurrieLimits{lc, ld, lq}
}

// GrossCount is a counting measurement in the sense of ISO 11929: gross counts
// in one time, background counts in another, and a factor that turns the net
// count rate into the measurand.
type GrossCount struct {
	Gross          float64 // n_g ≥ 0, counts
	GrossTime      float64 // t_g > 0
	Background     float64 // n_0 ≥ 0, counts
	BackgroundTime float64 // t_0 > 0, same unit as GrossTime
	Factor         float64 // w > 0, measurand per net count rate; 0 means 1
	FactorRelSD    float64 // u_rel(w) ≥ 0, relative standard uncertainty of w
	Alpha          float64 // probability of a false claim; 0 means 0.05
	Beta           float64 // probability of a missed signal at the detection limit; 0 means 0.05
	Gamma          float64 // 1 − coverage of the interval; 0 means 0.05
}

// CharacteristicLimits is the result of ISO11929, all in units of the
// measurand.
type CharacteristicLimits struct {
	Value             float64 // y, primary estimate
	Uncertainty       float64 // u(y)
	DecisionThreshold float64 // y*
	Detected          bool    // y > y*
	DetectionLimit    float64 // y#; +Inf if the factor is too uncertain for one to exist
	Low, High         float64 // probabilistically symmetric coverage interval
	Best              float64 // best estimate, ≥ 0 by construction
	BestUncertainty   float64 // its standard uncertainty
}

// ISO11929 returns decision threshold, detection limit, coverage interval and
// best estimate of the measurand y = w·(n_g/t_g − n_0/t_0). The uncertainty as
// a function of the true value y~ is
// u~²(y~) = w²·[(y~/w + r_0)/t_g + r_0/t_0] + u_rel²·y~²; the threshold is
// k_(1−α)·u~(0), the limit solves y# = y* + k_(1−β)·u~(y#). With n_0 = 0 the
// standard's threshold is zero, and any count detects: prefer DetectionLimit
// with an upper limit for the background then. Without any count at all the
// uncertainty is zero and so is everything else.
//
// Source: ISO 11929 (2010), Determination of the characteristic limits for
// measurements of ionizing radiation; closed forms from memory, checked
// numerically.
func ISO11929(c GrossCount) (CharacteristicLimits, error) {
	var r CharacteristicLimits
	if c.Factor == 0 {
		c.Factor = 1
	}
	for _, p := range []struct {
		name string
		v    *float64
	}{{"Alpha", &c.Alpha}, {"Beta", &c.Beta}, {"Gamma", &c.Gamma}} {
		if *p.v == 0 {
			*p.v = 0.05
		}
		if !(*p.v > 0 && *p.v < 1) {
			return r, fmt.Errorf("poisson: ISO 11929: %s = %v, want in (0, 1): %w", p.name, *p.v, ErrRange)
		}
	}
	for _, p := range []struct {
		name     string
		v        float64
		positive bool
	}{
		{"Gross", c.Gross, false}, {"GrossTime", c.GrossTime, true},
		{"Background", c.Background, false}, {"BackgroundTime", c.BackgroundTime, true},
		{"Factor", c.Factor, true}, {"FactorRelSD", c.FactorRelSD, false},
	} {
		if !(p.v >= 0) || math.IsInf(p.v, 1) || (p.positive && p.v == 0) {
			return r, fmt.Errorf("poisson: ISO 11929: %s = %v, want finite and not negative: %w", p.name, p.v, ErrRange)
		}
	}
	w, urel := c.Factor, c.FactorRelSD
	r0 := c.Background / c.BackgroundTime
	r.Value = w * (c.Gross/c.GrossTime - r0)
	r.Uncertainty = math.Sqrt(w*w*(c.Gross/(c.GrossTime*c.GrossTime)+r0/c.BackgroundTime) + r.Value*r.Value*urel*urel)

	u0 := w * math.Sqrt(r0*(1/c.GrossTime+1/c.BackgroundTime))
	ka, kb := normalUpperQuantile(c.Alpha), normalUpperQuantile(c.Beta)
	r.DecisionThreshold = ka * u0
	r.Detected = r.Value > r.DecisionThreshold

	// (y# − y*)² = k_β²·(u0² + y#·w/t_g + u_rel²·y#²), larger root.
	a := 1 - kb*kb*urel*urel
	if a <= 0 {
		r.DetectionLimit = math.Inf(1)
	} else {
		b := r.DecisionThreshold + kb*kb*w/(2*c.GrossTime)
		q := b*b - a*(r.DecisionThreshold*r.DecisionThreshold-kb*kb*u0*u0)
		r.DetectionLimit = (b + math.Copysign(math.Sqrt(q), kb)) / a
	}

	if r.Uncertainty == 0 {
		// No count at all: the normal law of the standard has no width.
		return r, nil
	}
	y, u := r.Value, r.Uncertainty
	omega := math.Erfc(-y/u/math.Sqrt2) / 2
	// Lower end y − k_p·u with p = ω(1−γ/2), upper y + k_q·u with q = 1 − ωγ/2.
	r.Low = y + u*normalUpperQuantile(omega*(1-c.Gamma/2))
	r.High = y + u*normalUpperQuantile(omega*c.Gamma/2)
	r.Best = y + u*math.Exp(-y*y/(2*u*u))/(omega*math.Sqrt(2*math.Pi))
	r.BestUncertainty = math.Sqrt(math.Max(0, u*u-(r.Best-y)*r.Best))
	return r, nil
}
