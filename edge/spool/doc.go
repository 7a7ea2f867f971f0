// Package spool is the board's log on disk: records go in at one end, get their
// number there, and stay until the server says that it has stored them. It knows
// nothing of sensors or of the network; a record is bytes.
//
// # What is assumed of disk and power
//
//   - Bytes written are in the kernel's hands when the write returns: they outlive
//     the program, not the power.
//   - A sync that returns without error has made the file's bytes and length
//     durable; a directory sync has done so for names.
//   - Writes not yet synced may become durable in any order, in part, or not at
//     all. A rename is either done or not.
//   - After a sync that failed, what the file holds of unsynced writes is unknown
//     and the next sync may wrongly report success.
//   - Bits may flip at any time, and a card may lie about its syncs. Then the spool
//     still opens and never hands out a record that is not what was put in; with a
//     card that lies the promises about power cuts are the card's.
//
// # What is promised
//
//  1. Append returns a number: 1, 2, 3 and so on within one stream. The record is
//     then in the kernel's hands, so a killed program loses none. (While the disk
//     refuses writes the record is held in memory, and Stats.Unsaved says so.)
//  2. After Sync a record outlives a power cut.
//  3. A number that Append has returned is never given to another record.
//  4. Records leave in two ways only: the server has confirmed them and the space
//     is needed, or the spool is full. The second kind is counted in Stats.Dropped.
//  5. Every number below the next one is either held, or below Oldest, or named by
//     the GapFrom and GapTo of the first record held after it.
//  6. A damaged record costs itself alone. It is skipped and counted.
//
// # Layout of the directory
//
//	lock                    held while a program has the spool open
//	cursor                  who wrote last and how far the numbers may go
//	0000000000000001.seg    a segment: records in the order of their numbers
//	0000000000000002.seg    the next one, and so on; names are never used again
//	*.new                   a cursor being written; removed when the spool opens
//	*.bad                   set aside: nothing in it could be read
//
// All numbers are little-endian; every checksum is CRC-32C (Castagnoli).
//
// Every file begins with the same 16 bytes, in this version and all later ones:
//
//	0  8  magic, "DTSPOOL\n" for a segment, "DTCURSR\n" for the cursor
//	8  2  version of the format, 1
//	10 2  length of the whole header
//	12 4  checksum of bytes 0 to 11
//
// A file whose first 16 bytes check out but name a later version is refused in
// plain words, because an older program must not touch what it cannot read.
//
// Segment header (64 bytes):
//
//	16 16 stream, a UUID
//	32 8  file number, as in its name
//	40 8  number of the first record
//	48 8  ceiling in force when the segment was begun
//	56 4  reserve: how far a ceiling lies above the last synced record
//	60 4  checksum of bytes 0 to 59
//
// Record (16 bytes and the payload):
//
//	0  1  0xA5
//	1  1  kind: 1 a record, 2 the footer of a finished segment
//	2  2  length of the payload
//	4  8  the record's number
//	12 4  checksum of bytes 0 to 11 and the payload
//
// A record that fits into a block of 4096 bytes does not cross the border of one:
// zeros fill the block and the record begins the next.
//
// Behind the last record lie zeros up to the end of the file. The file grows by
// such chunks, so that most syncs change no length and cost one block.
// A finished segment is cut behind its footer: kind 2, the number of its last
// record, and a payload of 24 bytes: first number, count of records, offset of
// the footer. A segment that ends in a good footer need not be read at opening.
//
// Cursor (96 bytes and the boot id):
//
//	16 16 stream
//	32 8  flags: bit 0, closed cleanly; bit 1, numbers were given to records that
//	      are in memory alone, because the disk refused them
//	40 8  ceiling: no number above it has been given out
//	48 8  acked: the server has everything up to it
//	56 8  floor: records below it have left the spool
//	64 8  last number given out (exact only with bit 0)
//	72 8  records dropped unconfirmed since the stream began
//	80 8  records refused since the stream began
//	88 2  length of the boot id; 2 unused; 4 checksum of bytes 0 to 91 and the boot id
//	96    the kernel's boot id
//
// The cursor is replaced whole: written under another name, synced, renamed, and
// the directory synced. That happens at opening and closing, before a segment is
// deleted, when the ceiling rises (every quarter of the reserve), and else at most
// every CursorEvery, to spare the card. It may lag behind in acked; then some
// records are sent twice, which the server expects.
//
// # Wear of the card
//
// A sync costs the card one block of 4096 bytes however little is in it, so what
// counts is how few there are: at one frame a second three frames go together
// (Spool.Due), about 140 MB a day with the fill, and while the server confirms,
// which is as good as a sync, one a minute is enough, about 40 MB. ext4 adds a write
// of its own books every 5 s because each record changes the file's time, unless it is
// mounted with lazytime (and commit=60). Measured on ext4 with blocks of 4096 bytes,
// ten minutes at 1 Hz with one fill in them, as MB a day at the block device: with
// lazytime 151 without a server and 72 with one; without lazytime 314 and 232.
//
// # The ceiling
//
// After a power cut the last records may be gone from the card although they have
// been published. So numbers run only up to a ceiling that is already durable, and
// after a power cut they go on above it: what was published lies below.
//
// # States after a crash, and what opening does
//
//	cursor says closed cleanly            numbers go on after the last one
//	not clean, same boot id               the program was killed. All it wrote is in the
//	                                      kernel's hands: go on after the last record, and
//	                                      sync what it had not
//	not clean, other boot id or none      power cut: go on at ceiling + 1; the numbers
//	                                      between are the next record's gap
//	not clean, same boot id, but bit 1    damaged: numbers go on as after a power cut. (A
//	set, a torn tail, or a whole segment  disk that takes no write at all cannot take bit 1
//	unreadable                            either. A program killed then, on a disk that is
//	                                      writable again without a new boot, is the one
//	                                      known way to a number used twice)
//	cursor gone or damaged                as a power cut, with the highest of: the ceilings
//	                                      of the segments, and last record + reserve.
//	                                      acked is then taken as what lies below the oldest
//	                                      record: too much is sent again, none is lost
//	nothing there but a damaged cursor    a new stream begins, since no number of the old
//	                                      one can be trusted
//	cursor.new there                      a power cut while writing it: removed, the old
//	                                      cursor holds
//	segment without header                its records carry their numbers and checksums, so
//	                                      they are kept; the file is set aside as *.bad if
//	                                      there are none
//	segment name never became durable     nothing in it had been synced: as if not written
//	bytes after the last record           a torn write: cut off and counted; the segment is
//	                                      finished and a new one begun
//	bad bytes between records             skipped to the next record that checks out; the
//	                                      numbers between are the next record's gap
//	footer missing                        the segment is read through
//	two segments hold the same numbers    a sync or write failed and the records were written
//	                                      again: the later segment counts
//	segment wholly below the floor        its deletion was cut short: deleted again
//
// Opening writes one new cursor and nothing else unless a torn tail was found, so
// that power cuts in a row do not make the next opening worse.
package spool
