package main

func Example() {
	main()
	// Output:
	// target in the field: true
	// planted:  477 nm,  149 counts in Ti K; found 0.1 px away, 125 ± 13 counts
	// planted:  303 nm,   39 counts in Ti K; found 0.1 px away, 38 ± 8 counts
	// planted:  411 nm,   96 counts in Ti K; found 0.0 px away, 86 ± 11 counts
	// planted:  379 nm,   76 counts in Ti K; found 0.1 px away, 63 ± 10 counts
}
