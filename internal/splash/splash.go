// Package splash predicts how big a drop leaves a nozzle and when a splash in a deep pool shows each of its phases.
package splash

// Phase is where a splash is.
type Phase string

const (
	Contact       Phase = "contact"        // the drop touches the surface
	CrownHighest  Phase = "crown-highest"  //
	CraterDeepest Phase = "crater-deepest" //
	ColumnEmerges Phase = "column-emerges" //
	ColumnHighest Phase = "column-highest" //
	ColumnGone    Phase = "column-gone"    //
)
