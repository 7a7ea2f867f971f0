package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"github.com/ncruces/go-sqlite3/driver"
)

// Frame is one record of a node's spool, or the gap that stands for some.
type Frame struct {
	Node    string // GROUP/NODE
	Stream  string // UUID of the spool
	Seq     int64  // from 1
	TS      int64  // ms since 1970, when measured
	Boot    string // empty: not told
	GapFrom int64  // 0: none; numbers GapFrom to GapTo will never come
	GapTo   int64
	Samples []Sample
}

// Reading is a value of a node without a spool, or of a device; its key is (node,
// device, metric, time).
type Reading struct {
	Node  string
	Birth bool // said in a birth: data with the same key takes its place
	Sample
}

// Told is what a node says of its spool, in a birth or beside data; 0 is not told.
type Told struct {
	Node, Stream string
	Oldest, Last int64
	Acked        int64 // what the node was told last is stored
}

// Batch is what is committed together.
type Batch struct {
	Frames   []Frame
	Readings []Reading
	Told     []Told
}

// StreamKey names a stream of a node.
type StreamKey struct{ Node, Stream string }

// Progress is how far a stream is stored.
type Progress struct {
	Acked  int64 // everything up to here is stored or will never come
	Oldest int64 // oldest record the node holds; 0: not told
	Last   int64 // highest number heard of
	Lost   int64 // numbers that will never come

	LostByRestore int64 // of these, those which were stored once: an older backup was restored
}

// Committed is what a commit changed.
type Committed struct {
	NewFrames   []bool // for each frame of the batch: it was not there before
	NewReadings []bool
	Progress    map[StreamKey]Progress // of every stream in the batch
}

type metricKey struct {
	node         int64
	device, name string
}

type streamID struct {
	node int64
	name string
}

type bucketKey struct{ node, span, t int64 }

const (
	minuteSpan = int64(time.Minute / time.Millisecond)
	hourSpan   = int64(time.Hour / time.Millisecond)
)

// writer is the one connection that writes readings. What it remembers is what the
// database holds; after a failed transaction it is read anew. Guarded by Store.mu.
type writer struct {
	db   *sql.DB
	conn *sql.Conn
	now  func() time.Time

	insertFrame, insertReading, insertDirty, putStream *sql.Stmt

	nodes   map[string]int64
	streams map[streamID]*progress
	metrics map[metricKey]int64
	layouts map[string]int64
	boots   map[string]int64
	dirty   map[bucketKey]time.Time // real time of the last change; zero: before the start
	loose   map[hourKey]time.Time   // hours with frames that are not sealed; the same

	minutes    map[bucketKey]time.Time // hours of a node with minutes that are not packed; the same
	commits    int                     // since the start
	body, form []byte                  // scratch
}

func newWriter(db *sql.DB, now func() time.Time) (*writer, error) {
	ctx := context.Background()
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{db: db, conn: conn, now: now, body: []byte{}, form: []byte{}} // never nil, which would be NULL
	for _, p := range []struct {
		stmt **sql.Stmt
		text string
	}{
		{&w.insertFrame, "INSERT INTO frame (stream, seq, ts, boot, layout, gap_from, gap_to, body) VALUES (?,?,?,?,?,?,?,?)"},
		{&w.insertReading, `INSERT INTO reading (metric, ts, quality, value, kind) VALUES (?,?,?,?,?)
			ON CONFLICT DO UPDATE SET quality = excluded.quality, value = excluded.value, kind = excluded.kind
			WHERE reading.kind >= 16 AND excluded.kind < 16`},
		{&w.insertDirty, "INSERT INTO dirty (node, span, t) VALUES (?,?,?) ON CONFLICT DO NOTHING"},
		{&w.putStream, "UPDATE stream SET acked = ?, oldest = ?, last = ? WHERE id = ?"},
	} {
		if *p.stmt, err = conn.PrepareContext(ctx, p.text); err != nil {
			return nil, errors.Join(err, conn.Close())
		}
	}
	if err := w.load(); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	return w, nil
}

func (w *writer) close() error {
	_, err := w.conn.ExecContext(context.Background(), "PRAGMA wal_checkpoint(TRUNCATE)")
	return errors.Join(err, w.insertFrame.Close(), w.insertReading.Close(), w.insertDirty.Close(), w.putStream.Close(),
		w.conn.Close(), w.db.Close())
}

// load reads everything the writer remembers.
func (w *writer) load() error {
	w.nodes, w.streams = map[string]int64{}, map[streamID]*progress{}
	w.metrics, w.layouts, w.boots = map[metricKey]int64{}, map[string]int64{}, map[string]int64{}
	w.dirty = map[bucketKey]time.Time{}
	byID := map[int64]*progress{}
	if err := w.each("SELECT id, name FROM node", func(scan func(...any) error) error {
		var id int64
		var name string
		err := scan(&id, &name)
		w.nodes[name] = id
		return err
	}); err != nil {
		return err
	}
	if err := w.each("SELECT id, node, name, acked, oldest, last, aside FROM stream", func(scan func(...any) error) error {
		p := &progress{}
		var name string
		err := scan(&p.id, &p.node, &name, &p.acked, &p.oldest, &p.last, &p.aside)
		w.streams[streamID{p.node, name}], byID[p.id] = p, p
		return err
	}); err != nil {
		return err
	}
	if err := w.each("SELECT stream, first, last, cause FROM lost ORDER BY stream, first", func(scan func(...any) error) error {
		var id int64
		var e span
		var cause string
		if err := scan(&id, &e.first, &e.last, &cause); err != nil {
			return err
		}
		p := byID[id]
		if lost := p.losses()[cause]; lost != nil {
			lost.add(e)
		} else {
			return fmt.Errorf("readings.db names an unknown cause of loss, %q", cause)
		}
		if e.last > p.acked {
			p.above.add(span{max(e.first, p.acked+1), e.last})
		}
		return nil
	}); err != nil {
		return err
	}
	for _, p := range byID {
		if err := streamRows(context.Background(), w.conn, p.id, p.acked+1, func(r *row, _ layout) error {
			p.above.add(span{r.seq, r.seq})
			return nil
		}); err != nil && !errors.Is(err, errBlock) { // what is damaged counts as not stored: the node sends it again
			return err
		}
	}
	if err := w.each("SELECT id, node, device, name FROM metric", func(scan func(...any) error) error {
		var id int64
		var k metricKey
		err := scan(&id, &k.node, &k.device, &k.name)
		w.metrics[k] = id
		return err
	}); err != nil {
		return err
	}
	if err := w.each("SELECT id, body FROM layout", func(scan func(...any) error) error {
		var id int64
		var body []byte
		err := scan(&id, &body)
		w.layouts[string(body)] = id
		return err
	}); err != nil {
		return err
	}
	if err := w.each("SELECT id, name FROM boot", func(scan func(...any) error) error {
		var id int64
		var name string
		err := scan(&id, &name)
		w.boots[name] = id
		return err
	}); err != nil {
		return err
	}
	w.loose, w.minutes = map[hourKey]time.Time{}, map[bucketKey]time.Time{}
	if err := w.each("SELECT DISTINCT node, t - ((t % ?1) + ?1) % ?1 FROM minute JOIN metric ON metric.id = minute.metric", func(scan func(...any) error) error {
		k := bucketKey{span: hourSpan}
		err := scan(&k.node, &k.t)
		w.minutes[k] = time.Time{}
		return err
	}, hourSpan); err != nil {
		return err
	}
	if err := w.each("SELECT DISTINCT stream, ts - ((ts % ?1) + ?1) % ?1 FROM frame", func(scan func(...any) error) error {
		var k hourKey
		err := scan(&k.stream, &k.t)
		w.loose[k] = time.Time{}
		return err
	}, hourSpan); err != nil {
		return err
	}
	return w.each("SELECT node, span, t FROM dirty", func(scan func(...any) error) error {
		var k bucketKey
		err := scan(&k.node, &k.span, &k.t)
		w.dirty[k] = time.Time{}
		return err
	})
}

func (w *writer) each(query string, row func(scan func(...any) error) error, args ...any) error {
	rows, err := w.conn.QueryContext(context.Background(), query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}

// transact runs f in one transaction. If anything fails nothing is kept, in the
// database or in memory.
func (w *writer) transact(ctx context.Context, f func() error) error {
	// The statements run under their own context: a transaction cut in the middle
	// by a shutdown would only have to be undone.
	if err := ctx.Err(); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	if _, err := w.conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return fmt.Errorf("the readings cannot be written: %w", err)
	}
	err := f()
	if err == nil {
		if _, err = w.conn.ExecContext(ctx, "COMMIT"); err == nil {
			w.commits++
			return nil
		}
	}
	err = fmt.Errorf("the readings cannot be written: %w", err)
	// SQLite has rolled back by itself after some errors (disk full, I/O error).
	open := false
	if raw := w.conn.Raw(func(c any) error {
		open = !c.(driver.Conn).Raw().GetAutocommit()
		return nil
	}); raw != nil {
		return errors.Join(err, raw)
	}
	if open {
		if _, back := w.conn.ExecContext(ctx, "ROLLBACK"); back != nil {
			return errors.Join(err, back)
		}
	}
	return errors.Join(err, w.load())
}

func (w *writer) probe(ctx context.Context) error {
	return w.transact(ctx, func() error {
		_, err := w.conn.ExecContext(ctx, "UPDATE node SET id = id WHERE id = (SELECT min(id) FROM node)")
		return err
	})
}

// Commit stores a batch in one transaction. What it returns without error is on
// disk. Frames and readings that are there already change nothing.
func (s *Store) Commit(ctx context.Context, b Batch) (Committed, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := Committed{
		NewFrames:   make([]bool, len(b.Frames)),
		NewReadings: make([]bool, len(b.Readings)),
		Progress:    map[StreamKey]Progress{},
	}
	err := s.w.transact(ctx, func() error { return s.w.commit(ctx, b, &c) })
	if err != nil {
		return Committed{}, err
	}
	return c, nil
}

func (w *writer) commit(ctx context.Context, b Batch, c *Committed) error {
	touched := map[StreamKey]*progress{}
	stream := func(node, name string) (*progress, error) {
		k := StreamKey{node, name}
		if p := touched[k]; p != nil {
			return p, nil
		}
		p, err := w.stream(ctx, node, name)
		touched[k] = p
		return p, err
	}
	now := time.Now()
	for i := range b.Frames {
		f := &b.Frames[i]
		p, err := stream(f.Node, f.Stream)
		if err != nil {
			return err
		}
		if p.stored(f.Seq) {
			continue
		}
		if err := w.frame(ctx, p, f); err != nil {
			return err
		}
		c.NewFrames[i] = true
		w.loose[hourKey{p.id, floor(f.TS, hourSpan)}] = now
		p.add(f.Seq)
		if f.GapFrom > 0 {
			p.gap(span{f.GapFrom, min(f.GapTo, f.Seq-1)})
		}
		if len(f.Samples) > 0 {
			if err := w.soil(ctx, bucketKey{p.node, minuteSpan, floor(f.TS, minuteSpan)}, now); err != nil {
				return err
			}
		}
	}
	for _, t := range b.Told {
		p, err := stream(t.Node, t.Stream)
		if err != nil {
			return err
		}
		p.tell(t.Oldest, t.Last, t.Acked)
	}
	for i := range b.Readings {
		isNew, err := w.reading(ctx, &b.Readings[i], now)
		if err != nil {
			return err
		}
		c.NewReadings[i] = isNew
	}
	for k, p := range touched {
		if err := w.save(ctx, p); err != nil {
			return err
		}
		c.Progress[k] = p.public()
	}
	return nil
}

func (w *writer) frame(ctx context.Context, p *progress, f *Frame) error {
	var err error
	w.body, w.form = w.body[:0], w.form[:0]
	for i := range f.Samples {
		s := &f.Samples[i]
		m, err := w.metric(ctx, metricKey{p.node, s.Device, s.Metric})
		if err != nil {
			return err
		}
		w.form = appendLayout(w.form, m)
		if w.body, err = appendSample(w.body, s, f.TS); err != nil {
			return err
		}
	}
	lay, ok := w.layouts[string(w.form)]
	if !ok {
		if lay, err = w.insert(ctx, "INSERT INTO layout (body) VALUES (?)", w.form); err != nil {
			return err
		}
		w.layouts[string(w.form)] = lay
	}
	boot := int64(0)
	if f.Boot != "" {
		if boot, ok = w.boots[f.Boot]; !ok {
			if boot, err = w.insert(ctx, "INSERT INTO boot (name) VALUES (?)", f.Boot); err != nil {
				return err
			}
			w.boots[f.Boot] = boot
		}
	}
	var from, to any
	if f.GapFrom > 0 {
		from, to = f.GapFrom, f.GapTo
	}
	_, err = w.insertFrame.ExecContext(ctx, p.id, f.Seq, f.TS, boot, lay, from, to, w.body)
	return err
}

func (w *writer) reading(ctx context.Context, r *Reading, now time.Time) (bool, error) {
	node, err := w.node(ctx, r.Node)
	if err != nil {
		return false, err
	}
	m, err := w.metric(ctx, metricKey{node, r.Device, r.Metric})
	if err != nil {
		return false, err
	}
	kind, ok := kindOf(r.Value)
	if !ok {
		return false, fmt.Errorf("metric %q: a value of type %T cannot be stored", r.Metric, r.Value)
	}
	value := r.Value
	switch kind {
	case kindNull, kindTrue, kindFalse:
		value = nil // the kind says it all
	case kindUint:
		value = int64(r.Value.(uint64)) // same bits
	}
	if r.Birth {
		kind |= kindBirth
	}
	res, err := w.insertReading.ExecContext(ctx, m, r.TS, int64(r.Quality), value, int64(kind))
	if err != nil {
		return false, err
	}
	n, err := res.RowsAffected()
	if err != nil || n == 0 {
		return false, err
	}
	return true, w.soil(ctx, bucketKey{node, minuteSpan, floor(r.TS, minuteSpan)}, now)
}

// soil marks a bucket whose roll-up must be made anew.
func (w *writer) soil(ctx context.Context, k bucketKey, now time.Time) error {
	if _, ok := w.dirty[k]; !ok {
		if _, err := w.insertDirty.ExecContext(ctx, k.node, k.span, k.t); err != nil {
			return err
		}
	}
	w.dirty[k] = now
	return nil
}

func (w *writer) save(ctx context.Context, p *progress) error {
	if p.changed {
		if _, err := w.putStream.ExecContext(ctx, p.acked, p.oldest, p.last, p.id); err != nil {
			return err
		}
		p.changed = false
	}
	if !p.relost {
		return nil
	}
	// Losses are rare; the whole list of the stream is small.
	if _, err := w.conn.ExecContext(ctx, "DELETE FROM lost WHERE stream = ?", p.id); err != nil {
		return err
	}
	for cause, lost := range p.losses() {
		for _, e := range *lost {
			if _, err := w.conn.ExecContext(ctx, "INSERT INTO lost (stream, first, last, cause, booked) VALUES (?,?,?,?,?)",
				p.id, e.first, e.last, cause, w.now().UnixMilli()); err != nil {
				return err
			}
		}
	}
	p.relost = false
	return nil
}

func (w *writer) insert(ctx context.Context, query string, args ...any) (int64, error) {
	res, err := w.conn.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

func (w *writer) node(ctx context.Context, name string) (int64, error) {
	if id, ok := w.nodes[name]; ok {
		return id, nil
	}
	id, err := w.insert(ctx, "INSERT INTO node (name) VALUES (?)", name)
	if err == nil {
		w.nodes[name] = id
	}
	return id, err
}

func (w *writer) stream(ctx context.Context, node, name string) (*progress, error) {
	n, err := w.node(ctx, node)
	if err != nil {
		return nil, err
	}
	k := streamID{n, name}
	if p, ok := w.streams[k]; ok {
		return p, nil
	}
	id, err := w.insert(ctx, "INSERT INTO stream (node, name) VALUES (?, ?)", n, name)
	if err != nil {
		return nil, err
	}
	p := &progress{id: id, node: n}
	w.streams[k] = p
	return p, nil
}

func (w *writer) metric(ctx context.Context, k metricKey) (int64, error) {
	if id, ok := w.metrics[k]; ok {
		return id, nil
	}
	id, err := w.insert(ctx, "INSERT INTO metric (node, device, name) VALUES (?,?,?)", k.node, k.device, k.name)
	if err == nil {
		w.metrics[k] = id
	}
	return id, err
}

// floor is the start of the bucket that holds t, also before 1970.
func floor(t, span int64) int64 {
	m := t % span
	if m < 0 {
		m += span
	}
	return t - m
}

// ProgressOf tells how far a stream is stored; the zero Progress if it is unknown.
func (s *Store) ProgressOf(node, stream string) Progress {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.w.streams[streamID{s.w.nodes[node], stream}]
	if p == nil {
		return Progress{}
	}
	return p.public()
}
