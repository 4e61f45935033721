/* SPDX-License-Identifier: Apache-2.0
 *
 * schema.c - the schema as text: the first one, and what each later one adds.
 *
 * Later versions only add. A migration is one transaction that ends with user_version, so a power
 * cut leaves the old schema or the new one; a new file gets the first schema and all that was added
 * since, in one transaction too. What a released version added never changes again.
 *
 * The tail of `scan` has no secondary index, so that a commit touches few pages. Facts and cursors
 * are few and kept in the order in which they are asked for.
 */
#include "store.h"

const char STORE_SCHEMA_SQL[] =
    "CREATE TABLE plan(id INTEGER PRIMARY KEY, digest TEXT NOT NULL UNIQUE, text BLOB NOT NULL, "
    "since INTEGER NOT NULL,"
    " \"by\" TEXT NOT NULL);"
    /* began, ended: UTC ms. boot: the kernel's boot id; boot_32 its first 32 bits. how: of the
       clean-stop mark. version: of the program; NULL in rows made before it was noted. */
    "CREATE TABLE run(pos INTEGER PRIMARY KEY, id INTEGER NOT NULL UNIQUE, boot TEXT NOT NULL, "
    "boot_32 INTEGER NOT NULL,"
    " began INTEGER NOT NULL, began_boot_ms INTEGER NOT NULL, began_clock INTEGER NOT NULL, plan "
    "INTEGER,"
    " ended INTEGER, ended_boot_ms INTEGER, ended_clock INTEGER, how TEXT, version TEXT);"
    "CREATE TABLE scan(pos INTEGER PRIMARY KEY, run INTEGER NOT NULL, well INTEGER NOT NULL, "
    "source INTEGER NOT NULL,"
    " seq INTEGER NOT NULL, plan INTEGER NOT NULL, utc_ms INTEGER NOT NULL, boot_ms INTEGER NOT "
    "NULL,"
    " took_ms INTEGER NOT NULL, clock INTEGER NOT NULL, outcome INTEGER NOT NULL, tries INTEGER "
    "NOT NULL,"
    " stray INTEGER NOT NULL, words BLOB NOT NULL, \"check\" INTEGER NOT NULL);"
    "CREATE TABLE fact(run INTEGER NOT NULL, well INTEGER NOT NULL, pos INTEGER NOT NULL, source "
    "INTEGER NOT NULL,"
    " point INTEGER NOT NULL, kind INTEGER NOT NULL, value REAL NOT NULL, utc_ms INTEGER NOT NULL, "
    "boot_ms INTEGER NOT NULL,"
    " PRIMARY KEY(run, well, pos, source, point, kind)) WITHOUT ROWID;"
    "CREATE TABLE event(pos INTEGER PRIMARY KEY, kind TEXT NOT NULL, utc_ms INTEGER NOT NULL, "
    "boot_ms INTEGER NOT NULL,"
    " who TEXT NOT NULL, text TEXT NOT NULL);"
    "CREATE TABLE gap(pos INTEGER PRIMARY KEY, run INTEGER NOT NULL, id INTEGER NOT NULL, revision "
    "INTEGER NOT NULL,"
    " kind INTEGER NOT NULL, cause_code INTEGER NOT NULL, well INTEGER NOT NULL, all_wells INTEGER "
    "NOT NULL,"
    " source INTEGER NOT NULL, point INTEGER NOT NULL, destination TEXT NOT NULL,"
    " start_utc_ms INTEGER NOT NULL, start_boot_ms INTEGER NOT NULL, start_boot INTEGER NOT NULL,"
    " start_clock INTEGER NOT NULL, start_sure INTEGER NOT NULL,"
    " end_utc_ms INTEGER NOT NULL, end_boot_ms INTEGER NOT NULL, end_boot INTEGER NOT NULL, "
    "end_clock INTEGER NOT NULL,"
    " end_sure INTEGER NOT NULL, is_open INTEGER NOT NULL, before_seq INTEGER NOT NULL, after_seq "
    "INTEGER NOT NULL,"
    " scans INTEGER NOT NULL, refreshes_about INTEGER NOT NULL, recovered INTEGER NOT NULL, lost "
    "INTEGER NOT NULL,"
    " cause TEXT NOT NULL, due_utc_ms INTEGER NOT NULL, due_boot_ms INTEGER NOT NULL, due_boot "
    "INTEGER NOT NULL,"
    " \"check\" INTEGER NOT NULL, UNIQUE(run, id, revision));"
    "CREATE TABLE \"order\"(pos INTEGER PRIMARY KEY, kind INTEGER NOT NULL, range TEXT NOT NULL, "
    "revision INTEGER NOT NULL,"
    " plan INTEGER, reason TEXT NOT NULL, \"by\" TEXT NOT NULL);"
    "CREATE TABLE cursor(destination TEXT NOT NULL, well INTEGER NOT NULL, stream INTEGER NOT "
    "NULL, pos INTEGER NOT NULL,"
    " seq INTEGER NOT NULL, PRIMARY KEY(destination, well, stream)) WITHOUT ROWID;"
    /* newest_*: as of the newest row of mark; scans after it are walked at each start. */
    "CREATE TABLE well(number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, newest_seq INTEGER NOT "
    "NULL DEFAULT 0,"
    " newest_pos INTEGER NOT NULL DEFAULT 0);"
    /* Times of the scans with pos up to here and above the mark before: finds an interval though
       the clock may have stepped. */
    "CREATE TABLE mark(pos INTEGER PRIMARY KEY, from_utc_ms INTEGER NOT NULL, to_utc_ms INTEGER "
    "NOT NULL);";

/* Since schema 2. */
static const char ADDED_IN_2[] =
    /* Sealed scans of a well and source; rows of `scan` no more. All blocks of one pos_from to
       pos_to were sealed together; these ranges rise with `number`, which has no holes. head: what
       the block holds, with a CRC-32 of its own. before, digest: of the chain (block.h). */
    "CREATE TABLE block(number INTEGER PRIMARY KEY, pos_from INTEGER NOT NULL, pos_to INTEGER NOT "
    "NULL, well INTEGER NOT NULL, source INTEGER NOT NULL, head BLOB NOT NULL, before BLOB NOT "
    "NULL, digest BLOB NOT NULL, data BLOB NOT NULL);"
    "CREATE INDEX block_of_well ON block(well, pos_to, pos_from, source);"
    "CREATE INDEX block_of_pos ON block(pos_to, pos_from, well, source);"
    /* One row: the newest block's number and digest, though the block may be removed by now. */
    "CREATE TABLE chain(id INTEGER PRIMARY KEY CHECK(id = 1), number INTEGER NOT NULL, digest BLOB "
    "NOT NULL, pos INTEGER NOT NULL);"
    /* Damage that was found and told: what 1 a row of `scan` (number: its pos), 2 a block. */
    "CREATE TABLE damage(what INTEGER NOT NULL, number INTEGER NOT NULL, pos INTEGER NOT NULL, "
    "PRIMARY KEY(what, number)) WITHOUT ROWID;"
    /* Facts but those of hours (FACT_HOUR, 128 and above), which are many: found without walking
       past these. */
    "CREATE INDEX fact_kept ON fact(run, well, kind, source, point, pos) WHERE kind < 128;";

/* Since schema 3. */
static const char ADDED_IN_3[] =
    /* SHA-256 of a block's head and data (sealed.h), in pages of its own; blocks of schema 2 have
       none. */
    "CREATE TABLE link(number INTEGER PRIMARY KEY, content BLOB NOT NULL);"
    /* Up to where each destination had accepted a well's records when damage was found: what it
       held up to there still exists at the receiver. */
    "CREATE TABLE damage_accepted(what INTEGER NOT NULL, number INTEGER NOT NULL, destination TEXT "
    "NOT NULL, well INTEGER NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY(what, number, destination, "
    "well)) WITHOUT ROWID;"
    /* One row: the time by which scans get old, when it was noted last. */
    "CREATE TABLE age_clock(id INTEGER PRIMARY KEY CHECK(id = 1), utc_ms INTEGER NOT NULL, boot_ms "
    "INTEGER NOT NULL, boot INTEGER NOT NULL);";

const char *const STORE_ADDED_SQL[JOURNAL_SCHEMA + 1] = {[2] = ADDED_IN_2, [3] = ADDED_IN_3};
