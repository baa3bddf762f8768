package care

// Evening returns what an evening needs besides care: a list to go through, which blocks nothing. Common practice, no
// source.
func Evening() []Caution {
	return []Caution{
		{"towels", "Towels and a mop are at hand."},
		{"sheeting", "Sheeting is down, and a basin catches what falls."},
		{"lens", "The lens has a cover against splashes."},
		{"spare", "Water is ready, and more of it to spare."},
		{"space", "There is space behind: nothing stands where it flies."},
		{"lamp", "A small lamp to see by is within reach."},
		{"cards", "Cards are empty, batteries full, spares at hand."},
		{"focus", "Focus is locked: by hand, and taped."},
		{"away", "The stand-in is away, and nothing else was moved."},
	}
}

// EveningSteps are the points that belong to a step of light, focus and framing: they hold for one kind of shot,
// and for the lens where it is.
func EveningSteps() []string { return []string{"focus", "away"} }
