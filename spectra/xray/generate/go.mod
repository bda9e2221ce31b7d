module example.org/fleck/spectra/xray/generate

go 1.26.0
