package daemon

// NoteDisplay hears how a display fares that shows the snapshots; health then tells
// it with the sensors.
func (d *Daemon) NoteDisplay(s *SensorStatus) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.display = s
}
