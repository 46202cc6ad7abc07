package tank

import (
	"errors"
	"fmt"
)

// The errors of the phase relations.
var (
	// ErrImpossibleDensity is returned for slurry lighter than water or heavier
	// than its solids.
	ErrImpossibleDensity = errors.New("slurry lighter than water or heavier than its solids")
	// ErrImpossibleSaturation is returned for soil with more water than its voids
	// can hold.
	ErrImpossibleSaturation = errors.New("soil holds more water than its voids")
)

// waterKgPerM3 is the stated density of water. From 0 to 30 degC the true one is
// 999.97 to 995.65 (Tanaka et al., Metrologia 38 (2001) 301), which no tank gauge
// can tell from it.
const waterKgPerM3 = 1000

// Phases is a mass of solids and a mass of water.
type Phases struct{ SolidsG, WaterG int64 }

// VolumeML returns the volume of the phases without air, for solids of the given
// particle density.
func (p Phases) VolumeML(particleKgPerM3 int64) int64 {
	if p.SolidsG == 0 {
		return p.WaterG
	}
	return p.WaterG + mulDiv(p.SolidsG, waterKgPerM3, particleKgPerM3)
}

// MassG returns solids and water together.
func (p Phases) MassG() int64 { return p.SolidsG + p.WaterG }

// part returns the phases of massG taken from well-mixed p, exactly that mass. p
// must hold something; for more than p holds it returns more of each.
func (p Phases) part(massG int64) Phases {
	solids := mulDiv(p.SolidsG, massG, p.MassG())
	if over := massG - solids - p.WaterG; over > 0 && massG <= p.MassG() {
		solids += over
	}
	return Phases{solids, massG - solids}
}

// MixtureDensityGPerM3 returns the density of slurry with the given share of
// solids by volume: Sm = 1 + Cv (Gs - 1) (HEC-RAS Non-Newtonian reference manual,
// mixture density).
func MixtureDensityGPerM3(byVolumePPM, particleKgPerM3 int64) int64 {
	return 1000*waterKgPerM3 + mulDiv(byVolumePPM, particleKgPerM3-waterKgPerM3, 1000)
}

// DensityOfMassShareGPerM3 returns the density of slurry with the given share of
// solids by mass: 1/Sm = Cw/Gs + (1 - Cw) (NCEES Fundamentals of Engineering
// handbook, specific gravity of a sludge).
func DensityOfMassShareGPerM3(byMassPPM, particleKgPerM3 int64) int64 {
	return mulDiv(1_000_000*waterKgPerM3, 1000*particleKgPerM3,
		waterKgPerM3*byMassPPM+particleKgPerM3*(1_000_000-byMassPPM))
}

// SolidsByVolumePPM returns the share of solids by volume in slurry of a density:
// Cv = (Sm - 1)/(Gs - 1) (HEC-RAS Non-Newtonian reference manual).
func SolidsByVolumePPM(densityGPerM3, particleKgPerM3 int64) int64 {
	return mulDiv(densityGPerM3-1000*waterKgPerM3, 1000, particleKgPerM3-waterKgPerM3)
}

// SolidsByMassPPM returns the share of solids by mass in slurry of a density:
// Cw = Gs (Sm - 1)/(Sm (Gs - 1)) (HEC-RAS Non-Newtonian reference manual).
func SolidsByMassPPM(densityGPerM3, particleKgPerM3 int64) int64 {
	return mulDiv((densityGPerM3-1000*waterKgPerM3)*particleKgPerM3, 1_000_000,
		densityGPerM3*(particleKgPerM3-waterKgPerM3))
}

// PhasesOfVolumeAndMass splits slurry of a known volume and mass: the volume of
// solids is (M - rho_w V)/(rho_s - rho_w), which follows from the mixture density.
// It returns ErrImpossibleDensity, wrapped, when no such slurry exists.
func PhasesOfVolumeAndMass(volumeML, massG, particleKgPerM3 int64) (Phases, error) {
	solids := mulDiv(massG-volumeML, particleKgPerM3, particleKgPerM3-waterKgPerM3)
	if massG < volumeML || solids > massG {
		return Phases{}, fmt.Errorf("%d g in %d mL with particles of %d kg/m3: %w", massG, volumeML, particleKgPerM3, ErrImpossibleDensity)
	}
	return Phases{solids, massG - solids}, nil
}

// PhasesOfMass splits slurry of a known mass whose density is taken to be typical.
func PhasesOfMass(massG, slurryKgPerM3, particleKgPerM3 int64) Phases {
	solids := mulDiv(massG, (slurryKgPerM3-waterKgPerM3)*particleKgPerM3,
		slurryKgPerM3*(particleKgPerM3-waterKgPerM3))
	return Phases{solids, massG - solids}
}

// PhasesOfVolume splits slurry of a known volume whose density is taken to be
// typical.
func PhasesOfVolume(volumeML, slurryKgPerM3, particleKgPerM3 int64) Phases {
	return PhasesOfMass(mulDiv(volumeML, slurryKgPerM3, waterKgPerM3), slurryKgPerM3, particleKgPerM3)
}

// DecantToDensityML returns how much clear water must leave slurry of a volume and
// density for the rest to have the wanted density, V - V (rho - rho_w)/(rho_t -
// rho_w); ok is false when the wanted density is not above that of the slurry.
func DecantToDensityML(volumeML, densityGPerM3, wantedGPerM3 int64) (decantML int64, ok bool) {
	const water = 1000 * waterKgPerM3
	if densityGPerM3 < water || wantedGPerM3 <= densityGPerM3 {
		return 0, false
	}
	return volumeML - mulDiv(volumeML, densityGPerM3-water, wantedGPerM3-water), true
}

// Soil is soil as it lies in the ground: three phases, solids, water and air.
type Soil struct {
	VolumeML               int64
	BulkDensityGPerM3      int64
	MoisturePPM            int64 // water over dry solids by mass (the dry basis of ASTM D2216)
	ParticleDensityKgPerM3 int64
}

// SoilState is what the phase relations of soil mechanics give for a soil.
type SoilState struct {
	Phases
	DryDensityGPerM3 int64 // rho/(1 + w)
	VoidRatioPPM     int64 // e = Vv/Vs
	PorosityPPM      int64 // n = e/(1 + e)
	SaturationPPM    int64 // S = w Gs/e, of the voids
}

// SoilPhases returns the phases of a soil by the usual phase relations (Das,
// Principles of Geotechnical Engineering, from memory): solids are m/(1+w), the
// void ratio is Gs/rho_d - 1. It refuses, with ErrImpossibleSaturation wrapped, soil
// with more water than its voids can hold: S > 1, decided without rounding.
func SoilPhases(s Soil) (SoilState, error) {
	rho, w, particle := s.BulkDensityGPerM3, s.MoisturePPM, s.ParticleDensityKgPerM3
	mass := mulDiv(s.VolumeML, rho, 1_000_000)
	solids := mulDiv(mass, 1_000_000, 1_000_000+w)
	state := SoilState{Phases: Phases{solids, mass - solids}, DryDensityGPerM3: mulDiv(rho, 1_000_000, 1_000_000+w)}
	// Solids and water fill the volume when rho (w/10^6 + 1000/rho_s) = 10^6 + w.
	filled, whole := rho*(w*particle+1_000_000_000), (1_000_000+w)*1_000_000*particle
	voids := (1_000_000+w)*1000*particle - rho*1_000_000 // over rho*10^6, this is e
	if voids > 0 {
		state.VoidRatioPPM = mulDiv(voids, 1_000_000, rho*1_000_000)
		state.PorosityPPM = mulDiv(voids, 1_000_000, voids+rho*1_000_000)
		state.SaturationPPM = mulDiv(mulDiv(w, particle, waterKgPerM3), rho*1_000_000, voids)
	}
	if filled > whole {
		return state, fmt.Errorf("%d g/m3 with %d ppm moisture and particles of %d kg/m3, saturation %d ppm: %w",
			rho, w, particle, state.SaturationPPM, ErrImpossibleSaturation)
	}
	return state, nil
}
