package estimator
import ("testing";"math")
func TestZW(t *testing.T){
	for _,sd:=range []uint64{4,6} {
		o:=FilterOptions{}
		b := newSimBoard(sd, o)
		f := NewFilter(o)
		b.run(f,2.5,vec3{})
		for k:=range 24 {
			b.run(f,.1,vec3{})
			hd:=&f.head
			e:=hd.left
			t.Logf("%d %d left %.3f %.3f %.3f noise %.3f h %.3f ref %.2f stray %.3f lag %.2f strolled %.4f anchor %v q %v P01 %.4g", sd,k, e[0]-hd.stray[0],e[1]-hd.stray[1],e[2]-hd.stray[2], math.Sqrt(f.magNoise()), 0., hd.ref[0], hd.stray, hd.lag*1e3, hd.strolled, hd.anchor, f.q, hd.p[0][1])
		}
	}
}
