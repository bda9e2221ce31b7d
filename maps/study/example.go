package study

// Example is a study file with every key and what it means. Keys that may be left
// out stand behind "# " with their default or an example.
const Example = `# A study: which compound is looked for, on what, in which fields.
# Keys behind "# " may be left out; what stands there is the default, or an
# example where the text says so. Unknown keys are errors.

fleck_format = 1
title = "Rinse on panels"
target = "TiO2:4.23g/cm3"                    # the compound looked for, with density
substrate = "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"   # what lies below; an alloy begins with its balance element
confusers = ["BaSO4:4.5g/cm3"]               # other compounds that spots may be; without any, a verdict
                                             # "target" rests on the ratio of the lines alone

# A conductive layer needs its thickness, and where it lies relative to the
# particles: under (coated before the treatment), over, or both. Examples:
# coating = "C:2.0g/cm3:8nm"
# coating_order = "over"

# elements = ["Ti", "O", "Fe"]    # to fit; default: those of the materials above
# detector = "detector.json"      # properties of the detector; see: fleck help detector

# What the cubes do not state, or state wrongly (examples):
# beam_kev = 15.0
# takeoff_deg = 35.0              # between specimen surface and detector
# pixel_um = 0.15                 # side of a square pixel
# energy_first_ev = 0.0           # centre of the first channel
# energy_step_ev = 10.0           # width of a channel
# live_time_s = 1200.0            # of a whole field

# Cubes without header (examples):
# shape = [128, 128, 1024]        # sizes in the order of axes; with frames, four: frames first
# type = "u16"                    # u8, u16 or u32
# endian = "little"               # or big
# axes = "y,x,c"                  # from slowest to fastest; f,y,x,c with frames
# offset = 0                      # bytes before the data

# frames = "0-4"                  # of cubes with frames, those that are read, counted from 0 (example); default: all, as their sum

# beam_mode = "rastered"          # within a pixel; "stationary" and "unknown" (taken as stationary) need probe_nm
# probe_nm = 50.0                 # diameter of the beam (example); without beam_mode that is unknown
# paired = false                  # true: coupons measured before and after treatment

# q = 0.05                        # false discovery rate of the lists of spots
# alpha = 0.05                    # false-alarm rate of verdicts
# replicas = 199                  # simulated fields without spots that decide what is chance; also: bootstrap
# seed = 1                        # start of the random numbers
# limit = true                    # find the detection limits, about half of the time; false as --no-limit
# low_ev = 200.0                  # fitted range; default: from the elements and the beam (examples)
# high_ev = 15000.0

# One part for each field. The coupon is the replicate; without one the field is.
# Roles: treated, untreated, vehicle_only, positive_control, instrument_blank.

[[field]]
name = "T1"
coupon = "panel A"
role = "treated"
cube = "t1.nrrd"                  # relative to this file
# later = ["t1b.nrrd", "t1c.nrrd"]  # example: cubes of the same field recorded after it, in order of time; all are
                                  # added up, and the first half is tested against the second, as frames in a cube are

[[field]]
name = "B1"
coupon = "panel D"
role = "untreated"
cube = "b1.nrrd"
`
