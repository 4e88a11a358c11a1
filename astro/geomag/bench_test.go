package geomag

import "testing"

func BenchmarkAt(b *testing.B) {
	m := WMM2025()
	lat := 51.9
	b.ReportAllocs()
	for b.Loop() {
		lat += 1e-9 // a new place each time
		if _, err := m.At(lat, 8.4, 0.1, 2026.4); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRatesAt(b *testing.B) {
	m := WMM2025()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := m.RatesAt(51.9, 8.4, 0.1, 2026.4); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAtDegree133(b *testing.B) {
	m := loadFile(b, refdata+"WMMHR2025.COF")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := m.At(51.9, 8.4, 0.1, 2026.4); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWMM2025(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		WMM2025()
	}
}
