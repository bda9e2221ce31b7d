package figure

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"strings"
	"testing"
)

// chunk is one chunk of a PNG file.
type chunk struct {
	kind string
	data []byte
}

// chunksOf splits a PNG into chunks and checks every CRC.
func chunksOf(t *testing.T, raw []byte) []chunk {
	t.Helper()
	const signature = "\x89PNG\r\n\x1a\n"
	if !bytes.HasPrefix(raw, []byte(signature)) {
		t.Fatalf("no PNG signature: % x", raw[:min(8, len(raw))])
	}
	var out []chunk
	for b := raw[len(signature):]; len(b) > 0; {
		if len(b) < 12 {
			t.Fatalf("%d bytes left over", len(b))
		}
		n := int(binary.BigEndian.Uint32(b))
		if len(b) < 12+n {
			t.Fatalf("chunk of %d bytes in %d bytes", n, len(b))
		}
		c := chunk{string(b[4:8]), b[8 : 8+n]}
		if got, want := crc32.ChecksumIEEE(b[4:8+n]), binary.BigEndian.Uint32(b[8+n:]); got != want {
			t.Errorf("chunk %s: CRC %08x, computed %08x", c.kind, want, got)
		}
		out, b = append(out, c), b[12+n:]
	}
	return out
}

func find(cs []chunk, kind string) (chunk, bool) {
	for _, c := range cs {
		if c.kind == kind {
			return c, true
		}
	}
	return chunk{}, false
}

// textOf returns the text of a tEXt or iTXt chunk.
func textOf(cs []chunk, keyword string) string {
	for _, c := range cs {
		key, rest, ok := bytes.Cut(c.data, []byte{0})
		if !ok || string(key) != keyword {
			continue
		}
		switch c.kind {
		case "tEXt":
			return string(rest)
		case "iTXt": // two flags, language, translated keyword, text
			parts := bytes.SplitN(rest[2:], []byte{0}, 3)
			return string(parts[2])
		}
	}
	return ""
}

func decode(t *testing.T, raw []byte) image.Image {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func rgbaAt(img image.Image, x, y int) color.RGBA {
	return color.RGBAModel.Convert(img.At(x, y)).(color.RGBA)
}

// TestChunkVectors: chunks built by hand and accepted by the checker pngcheck 3.0.3.
func TestChunkVectors(t *testing.T) {
	tests := []struct {
		name, kind, data, want string
	}{
		{"pHYs of 0.5 µm", "pHYs", "\x00\x1e\x84\x80\x00\x1e\x84\x80\x01",
			"00000009 70485973 001e8480 001e8480 01 8cc4e43f"},
		{"iTXt", "iTXt", "Description\x00\x00\x00en\x00\x00pixel 0.5 µm",
			"0000001f 69545874 4465736372697074696f6e 00 00 00 656e 00 00 706978656c20302e3520c2b56d 453d0a3e"},
	}
	for _, tt := range tests {
		want, err := hex.DecodeString(strings.ReplaceAll(tt.want, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		if got := appendChunk(nil, tt.kind, []byte(tt.data)); !bytes.Equal(got, want) {
			t.Errorf("%s: % x, want % x", tt.name, got, want)
		}
	}
}

func TestWritePNG(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 3, 2))
	tests := []struct {
		name, title, description string
		pixelX, pixelY           float64
		scale                    string // data of sCAL, "" for no chunk
		titleKind, textKind      string
	}{
		{"known size", "Si", "unit: µm", 5e-7, 2.5e-7, "\x015.000000000e-07\x002.500000000e-07", "tEXt", "iTXt"},
		{"unknown size", "Si", "counts", 0, 0, "", "tEXt", "tEXt"},
		{"zero byte in text", "Ti\x00K", "é", 0, 0, "", "tEXt", "iTXt"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			if err := writePNG(&b, img, 300, tt.title, tt.description, tt.pixelX, tt.pixelY); err != nil {
				t.Fatal(err)
			}
			if got := decode(t, b.Bytes()).Bounds(); got != img.Bounds() {
				t.Errorf("decoded size %v, want %v", got, img.Bounds())
			}
			cs := chunksOf(t, b.Bytes())
			if cs[0].kind != "IHDR" || cs[len(cs)-1].kind != "IEND" {
				t.Errorf("chunks run from %s to %s", cs[0].kind, cs[len(cs)-1].kind)
			}
			idat := false
			for _, c := range cs {
				idat = idat || c.kind == "IDAT"
				if (c.kind == "pHYs" || c.kind == "sCAL") && idat {
					t.Errorf("%s after IDAT", c.kind)
				}
			}
			// 300 dots per inch are 11811.02 per metre.
			phys, ok := find(cs, "pHYs")
			if want := "\x00\x00\x2e\x23\x00\x00\x2e\x23\x01"; !ok || string(phys.data) != want {
				t.Errorf("pHYs % x, want % x", phys.data, want)
			}
			scal, ok := find(cs, "sCAL")
			if ok != (tt.scale != "") || string(scal.data) != tt.scale {
				t.Errorf("sCAL %q, want %q", scal.data, tt.scale)
			}
			if got, want := textOf(cs, "Title"), strings.ReplaceAll(tt.title, "\x00", " "); got != want {
				t.Errorf("title %q, want %q", got, want)
			}
			if got := textOf(cs, "Description"); got != tt.description {
				t.Errorf("description %q, want %q", got, tt.description)
			}
			kinds := fmt.Sprint(countKind(cs, "tEXt"), countKind(cs, "iTXt"))
			if want := map[bool]string{true: "1 1", false: "2 0"}[tt.textKind == "iTXt"]; kinds != want {
				t.Errorf("tEXt and iTXt chunks %s, want %s", kinds, want)
			}
		})
	}
}

func countKind(cs []chunk, kind string) int {
	n := 0
	for _, c := range cs {
		if c.kind == kind {
			n++
		}
	}
	return n
}
