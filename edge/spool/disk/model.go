package disk

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"sort"
	"sync"
	"syscall"
)

// ErrPower is what every operation returns once a Model's power is off.
var ErrPower = errors.New("the power is off")

// errOff tells operations after the cut from the one that it hits, which may be
// done in part.
var errOff = fmt.Errorf("%w since before", ErrPower)

func hits(err error) bool { return errors.Is(err, ErrPower) && !errors.Is(err, errOff) }

// Op is one operation that a Model is asked for.
type Op struct {
	N    int    // counted from 1 over all kinds
	Kind string // list, create, open, rename, remove, syncdir, lock, read, write, truncate, sync
	Name string
}

// Model is an FS in memory that knows what would survive a power cut. Writes are
// visible at once and durable after a sync; Crash gives the directory that a power
// cut leaves, with unsynced writes lost, torn or out of order; Kill the one that a
// killed program leaves.
type Model struct {
	mu      sync.Mutex
	names   map[string]*inode // as programs see it
	durable map[string]*inode // as the card has it
	dirOps  []dirOp           // done, not yet durable
	locked  bool
	off     bool
	ops     int
	used    int64

	// Fault, if set, is asked before each operation; what it returns becomes the
	// operation's error. ErrPower cuts the power in the middle of it. Other errors
	// of a write leave half of it done; of a sync, drop what was unsynced.
	Fault func(Op) error
	// Lies makes syncs report success and do nothing.
	Lies bool
	// Space is the size of the disk in bytes; 0: no limit.
	Space int64
}

type inode struct {
	data    []byte  // as programs see it
	durable []byte  // as the card has it
	pending []write // done, not yet durable, in order
}

type write struct {
	at   int64
	data []byte
	cut  bool // a truncation to at
}

type dirOp struct {
	from, to string // creation: to alone; removal: from alone
	node     *inode
}

// NewModel makes an empty directory.
func NewModel() *Model {
	return &Model{names: map[string]*inode{}, durable: map[string]*inode{}}
}

// Ops is how many operations there have been.
func (m *Model) Ops() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.ops
}

// Off reports whether the power is off or the program killed.
func (m *Model) Off() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.off
}

// begin counts an operation and asks for its fault.
func (m *Model) begin(kind, name string) error {
	if m.off {
		return errOff
	}
	m.ops++
	if m.Fault == nil {
		return nil
	}
	err := m.Fault(Op{m.ops, kind, name})
	if errors.Is(err, ErrPower) {
		m.off = true
	}
	if err != nil {
		return &fs.PathError{Op: kind, Path: name, Err: err}
	}
	return nil
}

// Kill is the directory after the program has been killed: nothing is lost. The
// model killed does nothing any more.
func (m *Model) Kill() *Model {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.off = true
	n := NewModel()
	n.dirOps = append(n.dirOps, m.dirOps...)
	copies := map[*inode]*inode{}
	clone := func(i *inode) *inode {
		if copies[i] == nil {
			copies[i] = &inode{append([]byte(nil), i.data...), append([]byte(nil), i.durable...), append([]write(nil), i.pending...)}
		}
		return copies[i]
	}
	for name, i := range m.names {
		n.names[name] = clone(i)
	}
	for name, i := range m.durable {
		n.durable[name] = clone(i)
	}
	for i := range n.dirOps {
		if n.dirOps[i].node != nil {
			n.dirOps[i].node = clone(n.dirOps[i].node)
		}
	}
	n.Space, n.Lies = m.Space, m.Lies
	n.used = n.count()
	return n
}

// Crash is the directory after a power cut. Each unsynced operation has become
// durable with the given chance, each on its own, and a write then as often as not
// only in part.
func (m *Model) Crash(rng *rand.Rand, chance float64) *Model {
	n := m.Kill()
	for _, op := range n.dirOps {
		if rng.Float64() < chance {
			op.apply(n.durable)
		}
	}
	n.dirOps = nil
	seen := map[*inode]bool{}
	for _, i := range n.durable {
		if seen[i] {
			continue
		}
		seen[i] = true
		for _, w := range i.pending {
			if rng.Float64() >= chance {
				continue
			}
			if chance < 1 && len(w.data) > 0 && rng.IntN(2) == 0 { // torn: a piece of it
				a := rng.IntN(len(w.data))
				b := a + rng.IntN(len(w.data)-a) + 1
				w = write{at: w.at + int64(a), data: w.data[a:b]}
			}
			i.durable = w.apply(i.durable)
		}
		i.pending = nil
		i.data = append([]byte(nil), i.durable...)
	}
	n.names = map[string]*inode{}
	for name, i := range n.durable {
		n.names[name] = i
	}
	n.used = n.count()
	return n
}

func (m *Model) count() (n int64) {
	for _, i := range m.names {
		n += int64(len(i.data))
	}
	return n
}

func (op dirOp) apply(names map[string]*inode) {
	if op.from != "" {
		delete(names, op.from)
	}
	if op.to != "" {
		names[op.to] = op.node
	}
}

func (w write) apply(b []byte) []byte {
	if w.cut {
		if int64(len(b)) > w.at {
			return b[:w.at:w.at]
		}
		return append(b, make([]byte, w.at-int64(len(b)))...)
	}
	if end := w.at + int64(len(w.data)); end > int64(len(b)) {
		b = append(b, make([]byte, end-int64(len(b)))...)
	}
	copy(b[w.at:], w.data)
	return b
}

func (m *Model) List() ([]string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.begin("list", ""); err != nil {
		return nil, err
	}
	names := make([]string, 0, len(m.names))
	for name := range m.names {
		names = append(names, name)
	}
	sort.Strings(names)
	return names, nil
}

func (m *Model) do(op dirOp) {
	op.apply(m.names)
	m.dirOps = append(m.dirOps, op)
}

func (m *Model) Create(name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := m.begin("create", name)
	if err != nil && !hits(err) {
		return nil, err
	}
	if m.names[name] != nil {
		return nil, &fs.PathError{Op: "create", Path: name, Err: fs.ErrExist}
	}
	node := &inode{}
	m.do(dirOp{to: name, node: node})
	if err != nil {
		return nil, err
	}
	return &modelFile{m: m, name: name, node: node}, nil
}

func (m *Model) Open(name string) (File, error)     { return m.open("open", name) }
func (m *Model) OpenRead(name string) (File, error) { return m.open("open", name) }

func (m *Model) open(kind, name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.begin(kind, name); err != nil {
		return nil, err
	}
	node := m.names[name]
	if node == nil {
		return nil, &fs.PathError{Op: kind, Path: name, Err: fs.ErrNotExist}
	}
	return &modelFile{m: m, name: name, node: node}, nil
}

func (m *Model) Rename(from, to string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := m.begin("rename", from)
	if err != nil && !hits(err) {
		return err
	}
	node := m.names[from]
	if node == nil {
		return &fs.PathError{Op: "rename", Path: from, Err: fs.ErrNotExist}
	}
	if old := m.names[to]; old != nil {
		m.used -= int64(len(old.data))
	}
	m.do(dirOp{from: from, to: to, node: node})
	return err
}

func (m *Model) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	err := m.begin("remove", name)
	if err != nil && !hits(err) {
		return err
	}
	node := m.names[name]
	if node == nil {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	m.used -= int64(len(node.data))
	m.do(dirOp{from: name})
	return err
}

func (m *Model) SyncDir() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.begin("syncdir", ""); err != nil {
		return err
	}
	if m.Lies {
		return nil
	}
	for _, op := range m.dirOps {
		op.apply(m.durable)
	}
	m.dirOps = nil
	return nil
}

func (m *Model) Lock() (io.Closer, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.begin("lock", ""); err != nil {
		return nil, err
	}
	if m.locked {
		return nil, fmt.Errorf("the model is in use by another program: %w", syscall.EAGAIN)
	}
	m.locked = true
	return modelLock{m}, nil
}

type modelLock struct{ m *Model }

func (l modelLock) Close() error {
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	l.m.locked = false
	return nil
}

// Bytes returns a copy of a file's content.
func (m *Model) Bytes(name string) []byte {
	m.mu.Lock()
	defer m.mu.Unlock()
	if i := m.names[name]; i != nil {
		return append([]byte(nil), i.data...)
	}
	return nil
}

// Put makes a file with durable content, in place of what has the name.
func (m *Model) Put(name string, content []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	i := &inode{data: append([]byte(nil), content...), durable: append([]byte(nil), content...)}
	m.names[name], m.durable[name] = i, i
	m.used = m.count()
}

type modelFile struct {
	m      *Model
	name   string
	node   *inode
	closed bool
}

func (f *modelFile) ReadAt(p []byte, at int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.m.begin("read", f.name); err != nil {
		return 0, err
	}
	if at >= int64(len(f.node.data)) {
		return 0, io.EOF
	}
	n := copy(p, f.node.data[at:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *modelFile) do(w write) {
	before := len(f.node.data)
	f.node.data = w.apply(f.node.data)
	f.m.used += int64(len(f.node.data) - before)
	f.node.pending = append(f.node.pending, w)
}

func (f *modelFile) WriteAt(p []byte, at int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	err := f.m.begin("write", f.name)
	if f.closed {
		return 0, fs.ErrClosed
	}
	if errors.Is(err, errOff) {
		return 0, err
	}
	n := len(p)
	switch grow := at + int64(n) - int64(len(f.node.data)); {
	case hits(err):
	case err != nil:
		n /= 2
	case f.m.Space > 0 && grow > 0 && f.m.used+grow > f.m.Space:
		n = max(0, n-int(f.m.used+grow-f.m.Space))
		err = &fs.PathError{Op: "write", Path: f.name, Err: syscall.ENOSPC}
	}
	if n > 0 {
		f.do(write{at: at, data: append([]byte(nil), p[:n]...)})
	}
	if err != nil {
		return n, err
	}
	return n, nil
}

func (f *modelFile) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	err := f.m.begin("truncate", f.name)
	if err != nil && !hits(err) {
		return err
	}
	f.do(write{at: size, cut: true})
	return err
}

func (f *modelFile) Size() (int64, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.off {
		return 0, ErrPower
	}
	return int64(len(f.node.data)), nil
}

func (f *modelFile) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed {
		return fs.ErrClosed
	}
	err := f.m.begin("sync", f.name)
	switch {
	case errors.Is(err, ErrPower): // on its way: the rest is Crash's to decide
		return err
	case err != nil:
		f.node.pending = nil // the kernel forgets, and the next sync will not say so
		return err
	case f.m.Lies:
		return nil
	}
	for _, w := range f.node.pending {
		f.node.durable = w.apply(f.node.durable)
	}
	f.node.pending = nil
	return nil
}

func (f *modelFile) Close() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.closed {
		return fs.ErrClosed
	}
	f.closed = true
	return nil
}
