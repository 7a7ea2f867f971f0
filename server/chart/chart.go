// Package chart draws: data in, SVG text out, always the same text for the same
// data. It knows no words and no units; every label is given to it.
//
// A drawing has no fixed width. Places along the width are written in per cent,
// heights in CSS pixels, and lines lie in an inner picture that stretches while
// their strokes and all letters keep their size. So one drawing serves a desk and
// a phone, with scripts off. Colours come from the page through classes.
package chart

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// inner is the width and height, in its own units, of the stretched picture.
const inner = 1000.0

// canvas collects SVG text.
type canvas struct{ strings.Builder }

func (c *canvas) add(format string, args ...any) { fmt.Fprintf(c, format, args...) }

// open starts a drawing that a reader without sight hears as one sentence.
func (c *canvas) open(class string, height float64, text string, attrs string) {
	c.add(`<svg xmlns="http://www.w3.org/2000/svg" class="chart %s" width="100%%" height="%s" role="img" aria-label="%s"%s>`,
		class, num(height), esc(text), attrs)
}

func (c *canvas) close() { c.WriteString(`</svg>`) }

// hatch defines the pattern that stands for "nothing is known here". In the
// stretched picture a unit is smaller than a pixel, hence the size.
func (c *canvas) hatch(id string, size, stroke float64) {
	c.add(`<defs><pattern id="%s" width="%s" height="%s" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="hatch" x1="0" y1="0" x2="0" y2="%s" stroke-width="%s"/></pattern></defs>`,
		esc(id), num(size), num(size), num(size), num(stroke))
}

// stretch starts the inner picture between two heights.
func (c *canvas) stretch(top, height float64) {
	c.add(`<svg x="0" y="%s" width="100%%" height="%s" viewBox="0 0 %s %s" preserveAspectRatio="none">`,
		num(top), num(height), num(inner), num(inner))
}

// at starts a group of marks, in pixels, around a place.
func (c *canvas) at(percent, y float64) {
	c.add(`<svg x="%s%%" y="%s" overflow="visible">`, num(percent), num(y))
}

func (c *canvas) text(class string, percent, y float64, anchor, s string) {
	c.add(`<text class="%s" x="%s%%" y="%s" text-anchor="%s">%s</text>`, class, num(percent), num(y), anchor, esc(s))
}

// esc makes text safe inside SVG, in attributes too.
func esc(s string) string { return html.EscapeString(s) }

// num writes a coordinate with at most two decimals.
func num(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// finite reports whether a value can be drawn. What is beyond 1e15 is no reading of
// a mill, and differences of such values overflow.
func finite(v float64) bool { return math.Abs(v) <= 1e15 }

// scale maps low..high to 0..size.
type scale struct{ low, high, size float64 }

func (s scale) at(v float64) float64 { return (v - s.low) / (s.high - s.low) * s.size }

// clamped is at, kept inside.
func (s scale) clamped(v float64) float64 { return min(max(s.at(v), 0), s.size) }

// anchorAt keeps a label near the edge inside the drawing.
func anchorAt(percent float64) string {
	switch {
	case percent < 6:
		return "start"
	case percent > 94:
		return "end"
	}
	return "middle"
}
