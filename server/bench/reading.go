package bench

// Reading is one instant of a run as it is stored: when, which channel and
// pin, what was set, what was sensed, and its flags.
type Reading struct {
	T       int64     // nanoseconds since the run's start
	Set     float64   // level asked of the channel, V or A by its mode
	V       float64   // sensed voltage, V
	I       float64   // sensed current, A, positive into the pin
	Point   uint32    // index of the point within its measurement
	Group   uint16    // curve of the measurement the point belongs to
	Flags   Flags     //
	Pin     uint8     // device pin number
	Channel ChannelID //
}
