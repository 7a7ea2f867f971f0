package clock

import "time"

var start = time.Now()

func sinceStart() time.Duration { return time.Since(start) }
