package uplink

import "time"

// backoff is the wait between attempts: from first doubling to most, each shortened
// by up to half at random, so that the boards of a mill do not come back in step. A
// broker that takes the connection and does not answer is asked again after mute at
// the latest: waiting for its answer has already spread the attempts.
type backoff struct {
	first, most, mute time.Duration
	last              time.Duration
}

func (b *backoff) reset() { b.last = 0 }

// next is the wait after one more failure; jitter from 0 to 1.
func (b *backoff) next(jitter float64, mute bool) time.Duration {
	b.last = min(max(2*b.last, b.first), b.most)
	wait := b.last
	if mute {
		wait = min(wait, b.mute)
	}
	return wait - time.Duration(jitter*float64(wait)/2)
}
