package xray

import "math"

// Energy is a photon, electron or level energy in electronvolts.
type Energy float64

// Units of Energy.
const (
	EV  Energy = 1
	KeV Energy = 1000
)

// KeV returns e in kiloelectronvolts.
func (e Energy) KeV() float64 { return float64(e) / 1000 }

// EV returns e in electronvolts.
func (e Energy) EV() float64 { return float64(e) }

// Angle is a plane angle in radians.
type Angle float64

// Units of Angle.
const (
	Radian Angle = 1
	Degree Angle = math.Pi / 180
)

// Degrees returns a in degrees.
func (a Angle) Degrees() float64 { return float64(a) * 180 / math.Pi }

// Radians returns a in radians.
func (a Angle) Radians() float64 { return float64(a) }

// MassAttenuation is a mass attenuation coefficient in cm²/g.
type MassAttenuation float64
