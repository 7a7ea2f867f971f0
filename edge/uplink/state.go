package uplink

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"decktrim/edge/frames"
	"decktrim/internal/wire"
)

const (
	bdSeqFile   = "bdseq"
	layoutsFile = "layouts.json"
	mostLayouts = 64
)

// raiseBdSeq takes the next birth-death number and makes it durable, before the
// CONNECT that carries it. If the disk refuses, the number goes on in memory: data
// must flow though the card is full.
func (u *Uplink) raiseBdSeq() uint8 {
	path := filepath.Join(u.cfg.StateDir, bdSeqFile)
	var next uint8
	prev, fresh := u.lastBdSeq(path)
	if !fresh {
		next = wire.NextBdSeq(prev)
	}
	if err := replaceFile(path, []byte(strconv.Itoa(int(next))+"\n")); err != nil {
		u.once("the birth-death number cannot be stored", "why", err)
	}
	u.update(func(s *Status) { s.BdSeq = next })
	u.attempted = true
	return next
}

// lastBdSeq is the number of the last CONNECT; fresh: there was none.
func (u *Uplink) lastBdSeq(path string) (n uint8, fresh bool) {
	if u.attempted {
		u.mu.Lock()
		defer u.mu.Unlock()
		return u.status.BdSeq, false
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, true
	}
	v, bad := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 8)
	if err != nil || bad != nil {
		// Any number will do that an old will is unlikely to have.
		v = uint64(u.cfg.Jitter() * 255)
		u.once("the stored birth-death number cannot be read; going on from another", "file", path)
	}
	return uint8(v), false
}

// knowLayouts reads which channel lists this node has had, so that records kept
// over a change of the plant file find their channels, and adds the present one.
func (u *Uplink) knowLayouts() error {
	names := make([]string, len(u.cfg.Channels))
	for i, c := range u.cfg.Channels {
		names[i] = c.Name
	}
	u.layout = frames.LayoutOf(names)
	u.layouts = map[frames.Layout][]int{}

	path := filepath.Join(u.cfg.StateDir, layoutsFile)
	known := map[string][]string{}
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fmt.Errorf("the state folder cannot be read: %w", err)
	default:
		if err := json.Unmarshal(text, &known); err != nil {
			if err := os.Rename(path, path+".bad"); err != nil {
				return fmt.Errorf("the damaged %s cannot be set aside: %w", path, err)
			}
			u.log.Warn("the list of earlier channels is damaged and was set aside", "file", path+".bad")
			known = map[string][]string{}
		}
	}
	for _, old := range known {
		places := make([]int, len(old))
		for i, name := range old {
			places[i] = -1
			for j := range names {
				if names[j] == name {
					places[i] = j
				}
			}
		}
		u.layouts[frames.LayoutOf(old)] = places
	}
	key := strconv.FormatUint(uint64(u.layout), 16)
	if _, have := known[key]; have {
		return nil
	}
	if len(known) >= mostLayouts {
		known = map[string][]string{} // records of so many lists ago have long left the spool
	}
	known[key] = names
	text, err = json.Marshal(known)
	if err == nil {
		err = replaceFile(path, text)
	}
	if err != nil {
		u.log.Warn("the channel list cannot be stored: after a change of the plant file, kept records may be unreadable", "why", err)
	}
	return nil
}

// replaceFile writes a file whole: under another name, synced, renamed, and the
// folder synced.
func replaceFile(path string, content []byte) (err error) {
	fresh := path + ".new"
	f, err := os.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("state: %w", err)
	}
	_, err = f.Write(content)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(fresh, path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return fmt.Errorf("state: %w", err)
	}
	return nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
