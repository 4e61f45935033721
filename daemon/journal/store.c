/* SPDX-License-Identifier: Apache-2.0
 *
 * store.c - one connection to the database: its settings, its statements, and what its refusals
 * mean in plain words.
 *
 * The writer runs WAL with synchronous=FULL: NORMAL would lose acknowledged rows at a power cut.
 * Caches are small and no file is mapped, so that a connection costs a few hundred kB. The WAL is
 * kept across a close: a full disk can't take it away.
 */
#include "retention.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

/* What a result means to a person; the first row whose primary code matches. */
static const struct {
    int rc;
    const char *words;
} MEANINGS[] = {
    {SQLITE_FULL, "the disk is full"},
    {SQLITE_IOERR, "the disk reported an input or output error"},
    {SQLITE_READONLY, "it can't be written (read-only file system, or no right to write)"},
    {SQLITE_CANTOPEN,
     "it or its directory is missing, or there is no right to it. Make the directory, or let the "
     "user who runs this write into it"},
    {SQLITE_PERM, "there is no right to it"},
    {SQLITE_BUSY, "another program holds it"},
    {SQLITE_LOCKED, "another program holds it"},
    {SQLITE_CORRUPT, "it is damaged"},
    {SQLITE_NOTADB, "it is no database"},
    {SQLITE_NOMEM, "there is no memory"},
    {SQLITE_CONSTRAINT, "it holds a row of the same identity already"},
};

const char *store_path_trouble(int why)
{
    static const struct {
        int why;
        const char *words;
    } TROUBLES[] = {
        {EACCES, "there is no right to it. Give the user who runs this the right to write there"},
        {EPERM, "there is no right to it. Give the user who runs this the right to write there"},
        {ENOENT, "the directory above it is missing. Make it, or correct journal.path"},
        {ENOTDIR, "a part of its path is a file. Correct journal.path"},
        {ELOOP, "it is a symbolic link. Name the directory itself in journal.path"},
        {EROFS, "the file system can only be read. Mount it for writing, or correct journal.path"},
        {ENOSPC, "the disk is full. Make room on it"},
        {EIO, "the disk reported an input or output error. Check the disk"},
        {EISDIR, "a directory of that name is in the way. Move it away"},
    };
    for (size_t i = 0; i < sizeof TROUBLES / sizeof *TROUBLES; i++)
        if (TROUBLES[i].why == why)
            return TROUBLES[i].words;
    return "the system refused. Check the directory, its owner and the disk";
}

bool store_is_damage(int rc)
{
    return (rc & 0xFF) == SQLITE_CORRUPT || (rc & 0xFF) == SQLITE_NOTADB;
}

enum up_rc store_fail(const struct store *store, int rc, const char *doing, struct up_error *error)
{
    const char *words = sqlite3_errstr(rc);
    for (size_t i = 0; i < sizeof MEANINGS / sizeof *MEANINGS; i++)
        if ((rc & 0xFF) == MEANINGS[i].rc)
            words = MEANINGS[i].words;
    const enum up_rc kind = (rc & 0xFF) == SQLITE_NOMEM ? UP_E_MEMORY : UP_E_DISK;
    const enum up_rc failed =
        UP_FAIL(error, kind, "the journal %s could not %s: %s", store->path, doing, words);
    if (error != NULL && store->db != NULL)
        error->sys_errno = sqlite3_system_errno(store->db);
    return failed;
}

int store_run(struct store *store, const char *sql)
{
    return sqlite3_exec(store->db, sql, NULL, NULL, NULL);
}

int store_end_read(struct store *store, int rc)
{
    const int ended = store_run(store, "COMMIT");
    if (ended != SQLITE_OK)
        store_run(store, "ROLLBACK");
    return rc == SQLITE_OK ? ended : rc;
}

int store_done(sqlite3_stmt *row)
{
    const int rc = sqlite3_step(row);
    sqlite3_reset(row);
    sqlite3_clear_bindings(row);
    return rc == SQLITE_DONE || rc == SQLITE_ROW ? SQLITE_OK : rc;
}

int64_t store_number(struct store *store, const char *sql, int64_t otherwise, int *rc)
{
    sqlite3_stmt *row = NULL;
    int64_t number = otherwise;
    int result = sqlite3_prepare_v2(store->db, sql, -1, &row, NULL);
    if (result == SQLITE_OK) {
        result = sqlite3_step(row);
        if (result == SQLITE_ROW && sqlite3_column_type(row, 0) != SQLITE_NULL)
            number = sqlite3_column_int64(row, 0);
        if (result == SQLITE_ROW || result == SQLITE_DONE)
            result = SQLITE_OK;
    }
    sqlite3_finalize(row);
    if (rc != NULL)
        *rc = result;
    return number;
}

void column_text(sqlite3_stmt *row, int at, char *into, size_t room)
{
    const unsigned char *text = sqlite3_column_text(row, at);
    const size_t length = text == NULL ? 0 : strnlen((const char *)text, room - 1);
    if (length > 0)
        memcpy(into, text, length);
    into[length] = '\0';
}

static enum store_verdict verdict_of(struct store *store, int rc, const char *doing,
                                     struct up_error *error)
{
    (void)!store_fail(store, rc, doing, error);
    return store_is_damage(rc) ? STORE_DAMAGED : STORE_REFUSED;
}

/** What the schemas above `version` add (0: all), and the new version, in one transaction: a power
 * cut leaves either what was there or all of it. */
static int bring_schema(struct store *store, int64_t version_there)
{
    char version[96];
    snprintf(version, sizeof version, "PRAGMA user_version=%d; PRAGMA application_id=%d; COMMIT;",
             JOURNAL_SCHEMA, STORE_APPLICATION_ID);
    int rc = store_run(store, "BEGIN EXCLUSIVE");
    if (rc == SQLITE_OK && version_there == 0)
        rc = store_run(store, STORE_SCHEMA_SQL);
    for (int64_t v = version_there < 2 ? 2 : version_there + 1;
         v <= JOURNAL_SCHEMA && rc == SQLITE_OK; v++)
        rc = store_run(store, STORE_ADDED_SQL[v]);
    if (rc == SQLITE_OK)
        rc = store_run(store, version);
    if (rc != SQLITE_OK)
        store_run(store, "ROLLBACK");
    return rc;
}

/** A column and a table that the first journals of this schema did not have yet: added, never
 * changed. */
static int add_columns(struct store *store)
{
    int rc = SQLITE_OK;
    const int64_t there = store_number(
        store, "SELECT count(*) FROM pragma_table_info('run') WHERE name='version'", 0, &rc);
    if (rc == SQLITE_OK && there == 0)
        rc = store_run(store, "ALTER TABLE run ADD COLUMN version TEXT");
    if (rc == SQLITE_OK)
        rc = store_run(store, NOTE_SCHEMA_SQL);
    if (rc == SQLITE_OK)
        rc = store_run(store, RESERVE_SCHEMA_SQL);
    return rc == SQLITE_OK ? store_run(store, RETENTION_SCHEMA_SQL) : rc;
}

/** What an SQLite file says of itself. */
struct identity {
    int64_t application, version, tables, ours; /* ours: of the tables that every journal has */
};

static int read_identity(struct store *store, struct identity *identity)
{
    int rc = SQLITE_OK;
    memset(identity, 0, sizeof *identity);
    identity->application = store_number(store, "PRAGMA application_id", 0, &rc);
    if (rc == SQLITE_OK)
        identity->version = store_number(store, "PRAGMA user_version", 0, &rc);
    if (rc == SQLITE_OK)
        identity->tables = store_number(store, "SELECT count(*) FROM sqlite_schema", 0, &rc);
    if (rc == SQLITE_OK)
        identity->ours = store_number(store,
                                      "SELECT count(*) FROM sqlite_schema WHERE type='table' AND "
                                      "name IN ('plan','run','scan','gap','event','cursor')",
                                      0, &rc);
    return rc;
}

/** Another program's database: it bears another mark, or none and not our tables. */
static bool is_foreign(const struct identity *identity)
{
    if (identity->application != 0)
        return identity->application != STORE_APPLICATION_ID;
    return identity->ours != 6 && (identity->tables > 0 || identity->version != 0);
}

/** Whose file it is, and of which version; makes the schema in an empty one. Nothing is changed in
 * a file that is not ours or is newer. */
static enum store_verdict check_version(struct store *store, const char *path, bool write,
                                        struct up_error *error)
{
    struct identity is;
    int rc = read_identity(store, &is);
    if (rc != SQLITE_OK)
        return verdict_of(store, rc, "be read", error);
    if (is_foreign(&is)) {
        (void)!UP_FAIL(error, UP_E_FOREIGN,
                       "%s is a database of another program, and is no journal of Uphole; nothing "
                       "in it was changed. Name another journal directory, or move that file away",
                       path);
        return STORE_REFUSED;
    }
    if (is.version > JOURNAL_SCHEMA) {
        (void)!UP_FAIL(error, UP_E_NEWER,
                       "the journal %s was written by a newer Uphole (schema %lld, this one knows "
                       "%d): install that "
                       "version again, or give this one another journal directory",
                       path, (long long)is.version, JOURNAL_SCHEMA);
        return STORE_REFUSED;
    }
    if (!write) {
        store->version = (int)is.version;
        if (is.version >= 1)
            return STORE_OK;
        (void)!UP_FAIL(error, UP_E_MISSING,
                       "the journal %s is empty: Uphole has not run with it yet", path);
        return STORE_REFUSED;
    }
    rc = store_run(store, "PRAGMA journal_mode=WAL");
    if (rc == SQLITE_OK && is.version == 0 && is.tables == 0)
        rc = bring_schema(store, 0);
    else if (rc == SQLITE_OK && is.version >= 1 && is.version < JOURNAL_SCHEMA)
        rc = bring_schema(store, is.version);
    else if (rc == SQLITE_OK && is.application == 0) /* made before journals bore a mark */
        rc = store_run(store, "PRAGMA application_id=" STORE_NUMBER_TEXT(STORE_APPLICATION_ID));
    if (rc == SQLITE_OK)
        rc = add_columns(store);
    store->version = JOURNAL_SCHEMA;
    return rc == SQLITE_OK ? STORE_OK : verdict_of(store, rc, "be prepared", error);
}

/** A directory of the journal's name is told from a damaged file: it must not be moved. */
static bool is_directory(const char *path, struct up_error *error)
{
    struct stat there;
    if (stat(path, &there) != 0 || !S_ISDIR(there.st_mode))
        return false;
    (void)!UP_FAIL(error, UP_E_FOREIGN,
                   "%s is a directory, and is no journal of Uphole. Name another journal "
                   "directory, or move that one away",
                   path);
    return true;
}

enum store_verdict store_connect(struct store *store, const char *path, bool write,
                                 struct up_error *error)
{
    const int flags = (write ? SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE : SQLITE_OPEN_READONLY) |
                      SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE;
    static const char WRITER[] =
        "PRAGMA synchronous=FULL; PRAGMA wal_autocheckpoint=1000; PRAGMA cache_size=-256;"
        "PRAGMA mmap_size=0; PRAGMA temp_store=MEMORY; PRAGMA trusted_schema=OFF;"
        "PRAGMA cell_size_check=ON;";
    static const char READER[] =
        "PRAGMA query_only=ON; PRAGMA cache_size=-128; PRAGMA mmap_size=0;"
        "PRAGMA temp_store=MEMORY; PRAGMA trusted_schema=OFF; PRAGMA cell_size_check=ON;";
    memset(store, 0, sizeof *store);
    snprintf(store->path, sizeof store->path, "%s", path);
    if (is_directory(path, error))
        return STORE_REFUSED;
    int rc = sqlite3_open_v2(path, &store->db, flags, NULL);
    if (rc == SQLITE_OK) {
        int keep = 1;
        sqlite3_busy_timeout(store->db, BUSY_TIMEOUT_MS);
        sqlite3_file_control(store->db, "main", SQLITE_FCNTL_PERSIST_WAL, &keep);
        rc = store_run(store, write ? WRITER : READER);
    }
    if (rc != SQLITE_OK)
        return verdict_of(store, rc, "be opened", error);
    return check_version(store, path, write, error);
}

enum store_verdict store_prepare(struct store *store, const char *const *sql, size_t n,
                                 struct up_error *error)
{
    for (size_t i = 0; i < n; i++) {
        const int rc = sqlite3_prepare_v3(store->db, sql[i], -1, SQLITE_PREPARE_PERSISTENT,
                                          &store->row[i], NULL);
        if (rc != SQLITE_OK) { /* a table or column is missing: not the schema that the version
                                  promises */
            (void)!store_fail(store, rc, "be read as a journal", error);
            return store_is_damage(rc) || rc == SQLITE_ERROR ? STORE_DAMAGED : STORE_REFUSED;
        }
    }
    return STORE_OK;
}

void store_close(struct store *store)
{
    for (size_t i = 0; i < STATEMENTS_MAX; i++) {
        sqlite3_finalize(store->row[i]);
        store->row[i] = NULL;
    }
    if (store->db != NULL) /* else a close cuts the log to nothing */
        store_run(store, "PRAGMA journal_size_limit=-1");
    sqlite3_close(store->db);
    store->db = NULL;
}
