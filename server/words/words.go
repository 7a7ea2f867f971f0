// Package words is the one catalogue of texts: every label and sentence on a
// screen comes from here, in English and Spanish. It also says durations, times
// and lists in the reader's language.
package words

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Lang is a language of the catalogue.
type Lang string

const (
	English Lang = "en"
	Spanish Lang = "es"
)

// Languages lists the languages in the order in which they are offered.
func Languages() []Lang { return []Lang{English, Spanish} }

// Name is what a language calls itself.
func (l Lang) Name() string {
	if l == Spanish {
		return "Español"
	}
	return "English"
}

// Pick chooses the language: what the person has chosen (a cookie's value), or
// else the best of the browser's Accept-Language (RFC 9110, 12.5.4), or English.
func Pick(chosen, acceptLanguage string) Lang {
	if known(Lang(chosen)) {
		return Lang(chosen)
	}
	best, bestWeight := English, 0.0
	for part := range strings.SplitSeq(acceptLanguage, ",") {
		tag, params, _ := strings.Cut(strings.TrimSpace(part), ";")
		primary, _, _ := strings.Cut(strings.ToLower(strings.TrimSpace(tag)), "-")
		weight := 1.0
		if q, ok := strings.CutPrefix(strings.TrimSpace(params), "q="); ok {
			w, err := strconv.ParseFloat(q, 64)
			if err != nil || !(w >= 0 && w <= 1) {
				continue
			}
			weight = w
		}
		if known(Lang(primary)) && weight > bestWeight {
			best, bestWeight = Lang(primary), weight
		}
	}
	return best
}

func known(l Lang) bool { return slices.Contains(Languages(), l) }

// Has reports whether the catalogue has a key.
func Has(key string) bool {
	_, ok := catalogue[key]
	return ok
}

// Keys lists all keys, sorted.
func Keys() []string {
	keys := make([]string, 0, len(catalogue))
	for k := range catalogue {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// Say gives the text of a key with its {names} filled from pairs (name, value,
// name, value ...). A key that is not there comes back between ⟦ and ⟧, so that
// a page is still readable and the tests can see it.
func (l Lang) Say(key string, pairs ...any) string {
	both, ok := catalogue[key]
	if !ok {
		return "⟦" + key + "⟧"
	}
	text := both.en
	if l == Spanish {
		text = both.es
	}
	if len(pairs) == 0 {
		return text
	}
	replace := make([]string, 0, len(pairs))
	for i := 0; i+1 < len(pairs); i += 2 {
		replace = append(replace, "{"+fmt.Sprint(pairs[i])+"}", fmt.Sprint(pairs[i+1]))
	}
	return strings.NewReplacer(replace...).Replace(text)
}

// Count says a key's singular (key + ".one") or plural (key + ".many") with {n}.
func (l Lang) Count(key string, n int, pairs ...any) string {
	form := ".many"
	if n == 1 {
		form = ".one"
	}
	return l.Say(key+form, append(pairs, "n", n)...)
}

// Or says a key, or the other text when the catalogue does not have it: for names
// that a plant file made up ("wash_water_2" becomes "wash water 2").
func (l Lang) Or(key, other string) string {
	if Has(key) {
		return l.Say(key)
	}
	return strings.ReplaceAll(other, "_", " ")
}

// List joins items as a person would say them.
func (l Lang) List(items []string) string {
	switch len(items) {
	case 0:
		return ""
	case 1:
		return items[0]
	}
	and := " and "
	if l == Spanish {
		and = " y "
	}
	return strings.Join(items[:len(items)-1], ", ") + and + items[len(items)-1]
}

// Duration says how long in the two largest parts: "35 s", "4 min", "1 h 50 min",
// "3 days 4 h". Negative durations are said as zero.
func (l Lang) Duration(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		h, m := int(d.Hours()), int(d.Minutes())%60
		if m == 0 {
			return fmt.Sprintf("%d h", h)
		}
		return fmt.Sprintf("%d h %d min", h, m)
	default:
		days, h := int(d.Hours())/24, int(d.Hours())%24
		text := l.Count("time.days", days)
		if h != 0 {
			text += fmt.Sprintf(" %d h", h)
		}
		return text
	}
}

// Clock is the time of day, "14:02", in a zone.
func (l Lang) Clock(t time.Time, zone *time.Location) string { return t.In(zone).Format("15:04") }

// ClockSeconds is the time of day with seconds, "14:02:31".
func (l Lang) ClockSeconds(t time.Time, zone *time.Location) string {
	return t.In(zone).Format("15:04:05")
}

// Date is "25 November 2026" or "25 de noviembre de 2026".
func (l Lang) Date(t time.Time, zone *time.Location) string {
	t = t.In(zone)
	if l == Spanish {
		return fmt.Sprintf("%d de %s de %d", t.Day(), monthsES[t.Month()-1], t.Year())
	}
	return fmt.Sprintf("%d %s %d", t.Day(), t.Month(), t.Year())
}

// DayMonth is "25 Nov" or "25 nov".
func (l Lang) DayMonth(t time.Time, zone *time.Location) string {
	t = t.In(zone)
	if l == Spanish {
		return fmt.Sprintf("%d %.3s", t.Day(), monthsES[t.Month()-1])
	}
	return fmt.Sprintf("%d %.3s", t.Day(), t.Month())
}

// When says a moment as people do: "6 min ago" up to an hour, then the clock, and
// the date before it when the day is another one than that of now.
func (l Lang) When(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return l.Say("time.never")
	}
	age := now.Sub(t)
	switch {
	case age >= 0 && age < 5*time.Second:
		return l.Say("time.just_now")
	case age >= 0 && age <= time.Hour:
		return l.Say("time.ago", "age", l.Duration(age))
	}
	return l.At(t, now, zone)
}

// At is the clock, with the date before it when the day is not that of now.
func (l Lang) At(t, now time.Time, zone *time.Location) string {
	if t.IsZero() {
		return l.Say("time.never")
	}
	y, m, d := t.In(zone).Date()
	ny, nm, nd := now.In(zone).Date()
	switch {
	case y == ny && m == nm && d == nd:
		return l.Clock(t, zone)
	case y == ny:
		return l.DayMonth(t, zone) + " " + l.Clock(t, zone)
	}
	return l.DayMonth(t, zone) + t.In(zone).Format(" 2006 15:04")
}

var monthsES = [12]string{"enero", "febrero", "marzo", "abril", "mayo", "junio",
	"julio", "agosto", "septiembre", "octubre", "noviembre", "diciembre"}

type text struct{ en, es string }
