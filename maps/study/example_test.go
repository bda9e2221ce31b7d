package study_test

import (
	"fmt"
	"strings"

	"example.org/fleck/maps/study"
)

func ExampleParse() {
	f, err := study.Parse(strings.NewReader(`
fleck_format = 1
title = "Rinse on panels"
target = "TiO2:4.23g/cm3"
substrate = "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"
coating = "C:2.0g/cm3:8nm"
coating_order = "over"

[[field]]
name = "T1"
coupon = "panel A"
role = "treated"
cube = "t1.nrrd"

[[field]]
name = "B1"
coupon = "panel D"
role = "untreated"
cube = "b1.nrrd"
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Target, "on", f.Substrate)
	for _, field := range f.Fields {
		fmt.Println(field.Name, field.Coupon, field.Role, field.Cube)
	}
	_, err = study.Parse(strings.NewReader("fleck_format = 1\ntraget = \"TiO2\"\n"))
	fmt.Println(err)
	// Output:
	// TiO2:4.23g/cm3 on Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3
	// T1 panel A treated t1.nrrd
	// B1 panel D untreated b1.nrrd
	// study: line 2: unknown key "traget"
}
