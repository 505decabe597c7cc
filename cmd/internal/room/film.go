package room

// film hands out pictures of clips, frame by frame.
type film struct{}

func newFilm() *film { return &film{} }
