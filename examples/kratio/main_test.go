package main

func Example() {
	main()
	// Output:
	// beam     bulk    50 nm on Al
	//  5 keV  0.430   0.106
	// 10 keV  0.417   0.023
	// 20 keV  0.370   0.007
}
