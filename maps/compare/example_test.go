package compare_test

import (
	"fmt"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
)

// Three treated and three blank coupons, one field of 0.04 mm² each.
func ExampleFields() {
	observe := func(role maps.Role, spots ...int) []compare.Observation {
		var out []compare.Observation
		for i, n := range spots {
			name := fmt.Sprintf("%s %d", role, i+1)
			out = append(out, compare.Observation{Field: maps.Field{Name: name, Coupon: name, Role: role}, AreaMm2: .04, Spots: n, Efficiency: .9})
		}
		return out
	}
	r, err := compare.Fields(observe(maps.Treated, 9, 14, 11), observe(maps.Untreated, 1, 0, 2), compare.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Verdict)
	fmt.Println(r.Density.Method)
	r, err = compare.Fields(observe(maps.Treated, 0, 0, 0), observe(maps.Untreated, 0, 0, 0), compare.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Verdict)
	// Output:
	// The treated fields hold more spots of the target than the blank ones: 283 against 25 per mm², ratio 11.3 (95 % interval 3.56 to 57.7, p = 2.6e-08).
	// E-test of two Poisson rates
	// No spot of the target was found on either side; the treated fields hold fewer than 27.7 per mm² (95 %).
}
