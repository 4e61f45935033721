/* SPDX-License-Identifier: Apache-2.0
 *
 * store.h - the room's own view of its database: connection, statements, rows to bytes and back.
 *
 *   plan                 every configuration under which anything was read
 *   run                  a random number each start; its pos orders the runs
 *   scan                 the raw truth
 *   fact, event, gap     what scans gave rise to
 *   "order", cursor      what was asked to be sent again; how far each destination is
 *   well, mark           beyond the design: names of wells, and a sparse index of time
 *   block, chain         older scans, sealed (block.h); the newest block's digest
 *   damage               what was found damaged and has been told
 *
 *  1. pos is one counter over all tables; a transaction takes the next: scans, gaps, events.
 *  2. seq of a well is +1 from scan to scan, across runs; it follows from the rows alone (a mark
 *     only shortens the walk).
 *  3. A scan row never changes; check is a CRC-32 over all that it says.
 *  4. Only SQLite opens the database's file: any other descriptor's close would drop its locks.
 *     One that is opened for room outlives every connection (reserve.c). The log bears no locks.
 *  5. A row that is read may never have been synced. Nothing is checkpointed or committed behind
 *     such rows before they were written again (write_again.c).
 */
#ifndef UPHOLE_JOURNAL_STORE_H
#define UPHOLE_JOURNAL_STORE_H

#include "reserve.h"

#include "uphole/journal.h"

#include <pthread.h>
#include <stdatomic.h>
#include <sys/types.h>

#include <sqlite3.h>

#define MARK_EVERY 4096 /* pos between two rows of `mark` */
#define SLICE_ROWS 1000 /* rows that one read transaction may visit */
#define STATEMENTS_MAX 32
#define JOURNAL_PATH_MAX (PATH_LENGTH_MAX + 64)
#define SCAN_BLOB_MAX (SCAN_BLOCKS_MAX * 6 + SCAN_WORDS_MAX * 2)
#define BUSY_TIMEOUT_MS 5000

extern const char STORE_SCHEMA_SQL[];                         /* schema 1 */
extern const char *const STORE_ADDED_SQL[JOURNAL_SCHEMA + 1]; /* [v]: what v adds to v - 1 */
#define STORE_APPLICATION_ID 0x55706831                       /* "Uph1" */
#define STORE_TEXT_OF(number) #number
#define STORE_NUMBER_TEXT(number) STORE_TEXT_OF(number)

struct store {
    char path[JOURNAL_PATH_MAX];
    sqlite3 *db;
    sqlite3_stmt *row[STATEMENTS_MAX];
    int version; /* of the file's schema: a reader takes older ones */
};

enum store_verdict { STORE_OK = 0, STORE_DAMAGED, STORE_REFUSED };

/** Opens a connection with the room's settings. `write`: makes the file and schema where there is
 * none. */
enum store_verdict store_connect(struct store *store, const char *path, bool write,
                                 struct up_error *error);
enum store_verdict store_prepare(struct store *store, const char *const *sql, size_t n,
                                 struct up_error *error);
void store_close(struct store *store);
/** Says in plain words what SQLite's result means: "the journal PATH: ...". */
enum up_rc store_fail(const struct store *store, int rc, const char *doing, struct up_error *error);
bool store_is_damage(int rc);
/** What a refusal of the file system (an errno) means, and what to do: a clause without full stop.
 */
const char *store_path_trouble(int why);
/** Runs text without rows. */
int store_run(struct store *store, const char *sql);
/** Ends a read transaction (BEGIN) whatever came of the reading, `rc`. Returns that, or what went
 * wrong at the end. */
int store_end_read(struct store *store, int rc);
/** Steps a statement that gives no row, resets it and forgets what was bound. */
int store_done(sqlite3_stmt *row);
/** First column of the first row of `sql`, or `otherwise`; *rc (may be NULL) the result. */
int64_t store_number(struct store *store, const char *sql, int64_t otherwise, int *rc);

static inline void bind_u64(sqlite3_stmt *row, int at, uint64_t value)
{
    sqlite3_bind_int64(row, at, (sqlite3_int64)value);
}
static inline void bind_text(sqlite3_stmt *row, int at, const char *text)
{
    sqlite3_bind_text(row, at, text, -1, SQLITE_STATIC);
}
static inline uint64_t column_u64(sqlite3_stmt *row, int at)
{
    return (uint64_t)sqlite3_column_int64(row, at);
}
void column_text(sqlite3_stmt *row, int at, char *into, size_t room);

/* ---- rows.c: scans and gaps to bytes and columns, and back ---- */

/** Words of a block as stored: none under an exception; bits are packed 16 a word. */
uint16_t block_words(const struct block *block);
/** Function, first, count, exception, words of each block, big-endian. Returns the length, 0 where
 * a block lies outside. */
size_t scan_to_blob(const struct scan *scan, uint8_t blob[static SCAN_BLOB_MAX]);
bool scan_from_blob(struct scan *scan, const uint8_t *blob, size_t length);
uint32_t scan_check(const struct scan *scan, const uint8_t *blob, size_t length);
uint32_t gap_check(const struct gap *gap);
/* Of selects over scan s joined with run r, and over gap g. */
#define SCAN_SELECT_COLUMNS                                                                        \
    "s.pos, s.run, s.well, s.source, s.seq, s.plan, s.utc_ms, s.boot_ms, s.took_ms, s.clock, "     \
    "s.outcome, s.tries,"                                                                          \
    " s.stray, s.words, s.\"check\", r.boot_32"
#define GAP_SELECT_COLUMNS                                                                         \
    "g.pos, g.run, g.id, g.revision, g.kind, g.cause_code, g.well, g.all_wells, g.source, "        \
    "g.point, g.destination,"                                                                      \
    " g.start_utc_ms, g.start_boot_ms, g.start_boot, g.start_clock, g.start_sure, g.end_utc_ms, "  \
    "g.end_boot_ms,"                                                                               \
    " g.end_boot, g.end_clock, g.end_sure, g.is_open, g.before_seq, g.after_seq, g.scans, "        \
    "g.refreshes_about,"                                                                           \
    " g.recovered, g.lost, g.cause, g.due_utc_ms, g.due_boot_ms, g.due_boot, g.\"check\""
void scan_bind(sqlite3_stmt *row, const struct scan *scan, const uint8_t *blob, size_t length);
/** False: the row's check does not hold. */
bool scan_from_row(sqlite3_stmt *row, struct scan *scan);
#define GAP_INSERT_SQL                                                                             \
    "INSERT INTO gap VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
void gap_bind(sqlite3_stmt *row, const struct gap *gap);
bool gap_from_row(sqlite3_stmt *row, struct gap *gap);
#define CURSORS_SQL "SELECT destination, well, stream, pos, seq FROM cursor"
/** What CURSORS_SQL gives, at most `room`; their number. */
size_t cursors_from_rows(sqlite3_stmt *row, struct cursor *into, size_t room);

/* ---- order.c: orders to columns, and back; their CRC-32 stands at the end of `range` ---- */

#define ORDER_RANGE_MAX 320
#define ORDER_SELECT_COLUMNS "pos, kind, range, revision, reason, \"by\", plan"
#define ORDER_INSERT_SQL "INSERT INTO \"order\" VALUES(?1,?2,?3,?4,?7,?5,?6)"
void order_bind(sqlite3_stmt *row, const struct row_order *order,
                char range[static ORDER_RANGE_MAX]);
/** False: the row's check does not hold. */
bool order_from_row(sqlite3_stmt *row, struct row_order *order);

/* ---- note.c: a person's words on a gap ---- */

extern const char NOTE_SCHEMA_SQL[]; /* IF NOT EXISTS: journals made before have none */
#define NOTE_INSERT_SQL "INSERT INTO note VALUES(?,?,?,?,?,?,?,?)"

/* ---- the writer ---- */

struct journal_well {
    uint16_t number;
    char id[NAME_LENGTH_MAX + 1];
    uint64_t seq, pos; /* of its newest scan */
};

enum writer_row {
    W_BEGIN,
    W_COMMIT,
    W_ROLLBACK,
    W_SCAN,
    W_FACT,
    W_GAP,
    W_EVENT,
    W_CURSOR,
    W_MARK,
    W_WELL_MARK,
    W_ORDER,
    W_NOTE,
    W_ROWS
};

struct journal {
    char directory[PATH_LENGTH_MAX], path[JOURNAL_PATH_MAX], wal_path[JOURNAL_PATH_MAX];
    char boot_id[37];
    struct up_clock clock;
    int lock_fd;
    struct store store;
    struct last_run last;
    uint64_t run;
    uint32_t plan;
    uint64_t newest_pos;
    bool draws_revisions;
    uint64_t mark_pos;                        /* rows up to here are summed up in `mark` */
    int64_t mark_from_utc_ms, mark_to_utc_ms; /* scans since then; from > to: none */
    struct journal_well *wells;
    size_t n_wells;
    ino_t file_inode, wal_inode;
    bool poisoned;
    struct reserve reserve;
    /* outside.c */
    char box[NAME_LENGTH_MAX + 1]; /* "": no mark is kept */
    uint32_t machine;
    uint64_t marked_pos; /* the mark says that rows come up to here */
    bool mark_failed;
    bool is_another;            /* another file than before was opened in its place */
    size_t tidy_step;           /* retention.c */
    uint64_t ledger_most;       /* revisions that the ledger keeps; 0: as many as by default */
    _Atomic bool damaged;       /* quick_check found damage: the next reopen moves the file aside */
    _Atomic bool in_doubt;      /* write_again.c: the sync of a checkpoint failed */
    pthread_mutex_t check_lock; /* over the two below */
    sqlite3 *checking;          /* connection of the check that is under way, or NULL */
    bool check_cancelled;
    struct sealer *sealer; /* sealer.h; NULL until it is needed */
    uint64_t proven;       /* number of the sealed block that was proven last */
    bool all_told;         /* no damage waits to be told */
    struct scan scratch;
};

/** Reads newest pos, marks, wells and the last run. */
enum store_verdict journal_load_state(struct journal *journal, struct up_error *error);
enum store_verdict journal_load_last_run(struct journal *journal, struct up_error *error);
struct journal_well *journal_find_well(struct journal *journal, uint16_t number);
/** write_again.c: after this what can be read of the log is what the disk holds, whatever sync
 * failed before. For the writer that has just connected, before any checkpoint. UP_E_DISK. */
enum up_rc journal_write_again(struct journal *journal, struct up_error *error);
/** The result of a checkpoint, from any thread: after a failed sync none is made until
 * journal_settle_doubt. */
void journal_doubt(struct journal *journal, int rc);
/** Before a transaction of the writer: writes again what is in doubt; poisons where it can't. */
enum up_rc journal_settle_doubt(struct journal *journal, struct up_error *error);
/** True (and poisons) where the file or its WAL lost its name under us. */
bool journal_has_moved(struct journal *journal);
/** note.c: the batch's notes, before its gaps. Returns SQLite's result. */
int note_insert(struct journal *journal, const struct batch *batch, uint64_t *pos);
/** outside.c: after a commit; writes the mark ahead where it is near. */
void outside_keep(struct journal *journal);
void journal_note_inodes(struct journal *journal);
enum up_rc journal_poison(struct journal *journal, int rc, const char *doing,
                          struct up_error *error);
/** Inserts one event with the clock's time, within a transaction of the caller's or alone. */
int journal_put_event(struct journal *journal, const char *kind, const char *who, const char *text);
/** append.c: where each well stands, and the times since the last mark, within the caller's
 * transaction; and after its commit. */
int journal_put_mark(struct journal *journal);
void journal_marked(struct journal *journal);
/** sealer.c: frees what sealing took. */
void sealer_free(struct journal *journal);
/** damage.c: keeps that it was found, or that the ledger row at `pos` tells of it. SQLite's result.
 */
int damage_found(struct journal *journal, uint8_t kind, uint64_t number);
int damage_told(struct journal *journal, const struct journal_damage *damage, uint64_t pos);

#endif
