package scene

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/xray"
)

// maxPixels and maxChannels bound what a scene may ask for.
const (
	maxPixels    = 1 << 30
	maxChannels  = 16384
	maxParticles = 1e6 // per population
	lowestBeam   = xray.KeV
)

// MaxFrames is the largest number of frames (choice of this package).
const MaxFrames = 10000

// check says what cannot be simulated.
func (s *Scene) check() error {
	if !(s.BeamEnergy >= lowestBeam && s.BeamEnergy <= quant.MaxBeamEnergy) {
		return fmt.Errorf("beam_kev = %g; from %g to %g is accepted", s.BeamEnergy.KeV(), lowestBeam.KeV(), quant.MaxBeamEnergy.KeV())
	}
	if s.Width < 1 || s.Height < 1 || s.Width > maxPixels/s.Height {
		return fmt.Errorf("width × height = %d × %d; 1 to %d pixels are accepted", s.Width, s.Height, maxPixels)
	}
	if s.Channels < 16 || s.Channels > maxChannels {
		return fmt.Errorf("channels = %d; 16 to %d are accepted", s.Channels, maxChannels)
	}
	if s.Frames < 0 || s.Frames > MaxFrames || s.frames() > maxPixels/(s.Width*s.Height) {
		return fmt.Errorf("%d frames of %d pixels; 1 to %d frames are accepted, of %d pixels together", s.Frames, s.Width*s.Height, MaxFrames, maxPixels)
	}
	if s.Trajectories != 0 && !(s.Trajectories >= 100 && s.Trajectories <= 1e7) {
		return fmt.Errorf("trajectories = %d; 100 to 1e7 are accepted", s.Trajectories)
	}
	for _, v := range []struct {
		key       string
		v         float64
		low, high float64
		above     bool // low itself is refused
	}{
		{"gain_ev", s.Calibration.GainEV, 0, 1e3, true}, {"offset_ev", s.Calibration.OffsetEV, -1e4, 1e4, false},
		{"takeoff_deg", s.TakeOff.Degrees(), 0, 90, false}, {"detector_azimuth_deg", s.Azimuth.Degrees(), -360, 360, false},
		{"probe_nm", s.ProbeNM, 0, 1e5, false},
		{"counts_per_pixel", s.CountsPerPixel, 0, 1e6, false}, {"current_na", s.CurrentNA, 0, 1e6, false}, {"dwell_ms", s.DwellS * 1e3, 0, 1e9, false},
		{"count_rate_cps", s.RateCPS, 0, 1e8, false}, {"pulse_pair_us", s.PulsePairS * 1e6, 0, 1e3, false}, {"dead_time_us", s.DeadTimeS * 1e6, 0, 1e3, false},
		{"pile_up", s.PileUp, 0, 0.2, false}, {"shading", s.Shading, -0.99, 0.99, false}, {"current_drift", s.CurrentDrift, -0.99, 0.99, false},
		{"drift_um", s.DriftUM[0], -1e4, 1e4, false}, {"drift_um", s.DriftUM[1], -1e4, 1e4, false},
		{"target_loss", s.TargetLoss, 0, 1, false}, {"carbon_growth", s.CarbonGrowth, 0, 1, false},
	} {
		if !(v.v >= v.low && v.v <= v.high) || v.above && v.v == v.low {
			word := "from"
			if v.above {
				word = "above"
			}
			return fmt.Errorf("%s = %g; %s %g and up to %g is accepted", v.key, v.v, word, v.low, v.high)
		}
	}
	if err := cube.CheckPixel(s.Pixel); err != nil {
		return fmt.Errorf("pixel_um: %w", err)
	}
	if err := s.checkDose(); err != nil {
		return err
	}
	if len(s.Specs) == 0 {
		return fmt.Errorf("no [[field]]; at least one is needed")
	}
	if err := s.Substrate.RequireDensity(); err != nil {
		return fmt.Errorf("substrate: %w", err)
	}
	seen := map[string]bool{}
	for i := range s.Specs {
		f := &s.Specs[i]
		if f.Name == "" || seen[strings.ToLower(f.Name)] {
			return fmt.Errorf("field %d: name %q is empty or used twice", i+1, f.Name)
		}
		seen[strings.ToLower(f.Name)] = true
		if err := f.check(s); err != nil {
			return fmt.Errorf("field %q: %w", f.Name, err)
		}
	}
	if _, err := template.Particle(s.Target, s.Setup()); err != nil {
		return err
	}
	_, err := template.Substrate(s.Setup())
	return err
}

// checkDose says whether counts, rates and times can be told.
func (s *Scene) checkDose() error {
	timed := s.CurrentNA > 0 && s.DwellS > 0
	switch {
	case s.CountsPerPixel > 0 && s.DwellS > 0:
		return fmt.Errorf("counts_per_pixel and dwell_ms are both given; state either counts, or current_na and dwell_ms")
	case !(s.CountsPerPixel > 0) && !timed:
		return fmt.Errorf("counts_per_pixel = %g, current_na = %g, dwell_ms = %g; either counts, or both of the others are needed, above 0", s.CountsPerPixel, s.CurrentNA, s.DwellS*1e3)
	case s.PileUp > 0 && s.PulsePairS > 0:
		return fmt.Errorf("pile_up and pulse_pair_us are both given; one of them is accepted")
	case s.PulsePairS > 0 && s.RateCPS == 0 && s.CurrentNA == 0:
		return fmt.Errorf("pulse_pair_us without a rate; give count_rate_cps or current_na")
	case s.RateCPS > 0 && s.CurrentNA > 0:
		return fmt.Errorf("count_rate_cps and current_na are both given; one of them is accepted")
	case s.DeadTimeS > 0 && !timed:
		return fmt.Errorf("dead_time_us without a time; give current_na and dwell_ms")
	}
	return nil
}

func (f *FieldSpec) check(s *Scene) error {
	switch f.Role {
	case maps.Treated, maps.Untreated, maps.VehicleOnly, maps.PositiveControl, maps.InstrumentBlank:
	default:
		return fmt.Errorf("role %q; accepted are treated, untreated, vehicle_only, positive_control, instrument_blank", f.Role)
	}
	for _, p := range f.Populations {
		if err := p.Compound.RequireDensity(); err != nil {
			return err
		}
		if p.Number < 0 || p.Number > maxParticles || !(p.MinNM > 0) || !(p.MaxNM >= p.MinNM) || !(p.MaxNM <= 1e5) {
			return fmt.Errorf("%s: number %d, diameters %g to %g nm; number 0 to %g and 0 < min_nm ≤ max_nm ≤ 1e5 are accepted", p.Compound.Name, p.Number, p.MinNM, p.MaxNM, float64(maxParticles))
		}
		if side := math.Min(float64(s.Width)*s.Pixel.X.Nm(), float64(s.Height)*s.Pixel.Y.Nm()); p.Number > 0 && p.MinNM > side {
			return fmt.Errorf("%s: diameters from %g nm are larger than the field, whose smaller side is %g nm", p.Compound.Name, p.MinNM, side)
		}
		if !(p.Sunk >= 0 && p.Sunk <= 1) || p.Truncated && p.Sunk == 1 {
			return fmt.Errorf("%s: sunk = %g; 0 to 1 is accepted, less than 1 where truncated", p.Compound.Name, p.Sunk)
		}
		if err := checkRegion(p.Region); err != nil {
			return fmt.Errorf("%s: %w", p.Compound.Name, err)
		}
	}
	for _, x := range f.Films {
		if !(x.Material.MassDepth > 0) && !(x.Material.ThicknessM > 0) {
			return fmt.Errorf("film %s states no thickness; write for example SiO2:2.2g/cm3:5nm", x.Material.Name)
		}
		if err := x.Material.RequireDensity(); err != nil {
			return err
		}
		if err := checkRegion(x.Region); err != nil {
			return fmt.Errorf("film %s: %w", x.Material.Name, err)
		}
	}
	takeOff := s.takeOff().Degrees()
	for _, x := range f.Scratches {
		if !(x.WidthUM > 0 && x.WidthUM <= 1e4) || x.From == x.To {
			return fmt.Errorf("scratch from %g to %g of width_um = %g; two places and a width above 0 are accepted", x.From, x.To, x.WidthUM)
		}
		if !(x.SlopeDeg > 0 && x.SlopeDeg <= takeOff-5) {
			return fmt.Errorf("scratch: slope_deg = %g; above 0 and up to %g is accepted, 5 below the take-off angle", x.SlopeDeg, takeOff-5)
		}
	}
	return nil
}

func checkRegion(r [4]float64) error {
	if r == ([4]float64{}) {
		return nil
	}
	if !(r[0] >= 0 && r[0] < r[2] && r[2] <= 1 && r[1] >= 0 && r[1] < r[3] && r[3] <= 1) {
		return fmt.Errorf("region %g; x0 < x1 and y0 < y1 between 0 and 1 are accepted", r)
	}
	return nil
}

func (s *Scene) takeOff() xray.Angle {
	if s.TakeOff == 0 {
		return defaultTakeOff
	}
	return s.TakeOff
}
