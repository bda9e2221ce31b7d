package cube

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// benchFile writes a sparse cube of 64 × 64 pixels with 2048 channels in a
// form and returns folder and options. MB/s count the bytes of u16 values.
func benchFile(b *testing.B, form string) (dir string, opt Options, bytesRead int64) {
	b.Helper()
	m := spectrumCube(b, 64, 64, 2048, 0.5)
	var data []byte
	var out bytes.Buffer
	switch form {
	case "nrrd-gzip":
		r, _ := m.Rows()
		if err := WriteNRRD(&out, m.Head, r, Gzip); err != nil {
			b.Fatal(err)
		}
		data = out.Bytes()
	case "raw-zstd":
		data = zst(b, rawBytes(m, "yxc", false))
		opt = Options{Shape: []int{64, 64, 2048}, Type: U16, Endian: LittleEndian}
	default:
		data = rawBytes(m, form, false)
		n := map[byte]int{'y': 64, 'x': 64, 'c': 2048}
		opt = Options{Shape: []int{n[form[0]], n[form[1]], n[form[2]]}, Type: U16, Endian: LittleEndian, Axes: spell(form)}
	}
	dir = b.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "f"), data, 0o666); err != nil {
		b.Fatal(err)
	}
	return dir, opt, 64 * 64 * 2048 * 2
}

func BenchmarkReadRows(b *testing.B) {
	for _, form := range []string{"yxc", "ycx", "cyx", "xyc", "cxy", "nrrd-gzip", "raw-zstd"} {
		b.Run("form="+form, func(b *testing.B) {
			dir, opt, n := benchFile(b, form)
			f, err := Open(os.DirFS(dir), "f", opt)
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			row := make([]uint32, f.Header().RowLen())
			b.SetBytes(n)
			b.ReportAllocs()
			for b.Loop() {
				r, err := f.Rows()
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					err = r.ReadRow(row)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkSumSpectra(b *testing.B) {
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			dir, opt, n := benchFile(b, "yxc")
			f, err := Open(os.DirFS(dir), "f", opt)
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			b.SetBytes(n)
			for b.Loop() {
				if _, err := SumSpectra(context.Background(), f, workers, nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
