package metrics

// perDraw keeps what several measures read of one draw, so that it is worked out
// once. The zero value keeps nothing. The swing as read is worked out each time:
// every measure then notes for itself what it rests on.
type perDraw[T any] struct {
	value T
	draw  uint64 // that value belongs to; 0: none
}

// of is work's result for the draw in force. One that failed is not kept.
func (p *perDraw[T]) of(s *scene, work func() T) T {
	if s.d == nil {
		return work()
	}
	if p.draw != s.d.unique {
		value := work()
		if s.why != nil {
			return value
		}
		p.value, p.draw = value, s.d.unique
	}
	return p.value
}
