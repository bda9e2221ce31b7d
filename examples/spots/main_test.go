package main

func Example() {
	main()
	// Output:
	// target in the field: true
	// planted:  477 nm,  153 counts in Ti K; found 0.1 px away, 138 ± 14 counts
	// planted:  303 nm,   40 counts in Ti K; found 0.1 px away, 46 ± 9 counts
	// planted:  411 nm,   99 counts in Ti K; found 0.1 px away, 90 ± 12 counts
	// planted:  379 nm,   78 counts in Ti K; found 0.1 px away, 67 ± 10 counts
}
