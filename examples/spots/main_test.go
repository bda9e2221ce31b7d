package main

func Example() {
	main()
	// Output:
	// target in the field: true
	// planted:  477 nm,  199 counts in Ti K; found 0.0 px away, 232 ± 17 counts
	// planted:  303 nm,   52 counts in Ti K; found 0.1 px away, 53 ± 9 counts
	// planted:  411 nm,  129 counts in Ti K; found 0.1 px away, 147 ± 14 counts
	// planted:  379 nm,  103 counts in Ti K; found 0.1 px away, 133 ± 13 counts
}
