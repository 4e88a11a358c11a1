package estimator
import ("testing";"math")
func TestZZ(t *testing.T){
	var ms,mh,msg [9]float64
	N:=300
	for seed := range uint64(N) {
		o:=FilterOptions{}
		b := newSimBoard(seed, o)
		f := NewFilter(o)
		add:=func(k int){ h,_:=b.errors(f); mh[k]+=h*h/float64(N)/degree/degree; ms[k]+=square(h/f.HeadingSigma())/float64(N); msg[k]+=square(f.HeadingSigma()/degree)/float64(N)}
		b.run(f,0.2,vec3{}); add(0)
		b.run(f,1,vec3{}); add(1)
		s0:=f.HeadingSigma()
		b.run(f,10,vec3{}); add(2)
		if f.HeadingSigma()<.9*s0 && seed<100 { t.Logf("seed %d %.2f %.2f ref %.2f %.2f level %.2f hold %.2f", seed, s0/degree, f.HeadingSigma()/degree,f.head.ref[0],f.head.ref[1],f.head.level,f.head.hold)}
		b.run(f,3,vec3{0,0,0.5}); add(3)
		b.run(f,10,vec3{0,0,0.5}); add(4)
		b.run(f,10,vec3{0,0.5,0}); add(5)
		b.run(f,10,vec3{0.5,0,0}); add(6)
		b.run(f,40,vec3{0.5,0.1,0.3}); add(7)
		b.run(f,10,vec3{}); add(8)
	}
	for k:=range ms { t.Logf("%d ms %.2f rms err %.2f rms sigma %.2f", k, ms[k], math.Sqrt(mh[k]), math.Sqrt(msg[k])) }
}
