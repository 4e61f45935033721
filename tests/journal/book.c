/* SPDX-License-Identifier: Apache-2.0
 *
 * book.c - see book.h.
 */
#include "book.h"

#include "check.h"

#include <stdlib.h>

struct book *book_open(struct rig *rig, size_t room)
{
    struct book *book = calloc(1, sizeof *book);
    book->rig = rig;
    rig->wells[0].number = 11;
    rig->wells[1].number = 12;
    rig->run = 0x9f3c61d2a07b44e8;
    book->ledger = ledger_create(rig->plan, rig->run, room);
    assert_non_null(book->ledger);
    return book;
}

void book_close(struct book *book)
{
    ledger_destroy(book->ledger);
    free(book);
}

void book_take(struct book *book)
{
    const struct stamp now = rig_now(book->rig);
    book->n += ledger_take_changed(book->ledger, &now, book->seen + book->n, 512 - book->n);
}

const struct gap *book_newest(const struct book *book, uint8_t kind, size_t which)
{
    uint64_t ids[64];
    size_t n_ids = 0;
    const struct gap *found = NULL;
    for (size_t i = 0; i < book->n; i++) {
        const struct gap *gap = &book->seen[i];
        bool known = false;
        for (size_t k = 0; k < n_ids; k++)
            known = known || ids[k] == gap->id;
        if (gap->kind == kind && !known)
            ids[n_ids++] = gap->id;
    }
    for (size_t i = 0; i < book->n; i++)
        if (which < n_ids && book->seen[i].kind == kind && book->seen[i].id == ids[which])
            found = &book->seen[i];
    return found;
}

size_t book_revisions(const struct book *book, uint8_t kind)
{
    size_t n = 0;
    for (size_t i = 0; i < book->n; i++)
        n += book->seen[i].kind == kind;
    return n;
}

void book_poll_with(struct book *book, int well, uint8_t source, uint8_t outcome, uint8_t q1,
                    uint8_t q2, uint8_t q16)
{
    struct rig *rig = book->rig;
    const struct stamp due = rig_now(rig);
    rig->boot_ms += 120;
    rig->utc_ms += 120;
    struct scan scan = rig_scan(rig, well, source, outcome);
    scan.seq = ++book->seq[well];
    static struct record record;
    record = (struct record){
        .well = scan.well, .source = source, .outcome = outcome, .seq = scan.seq, .n = 3};
    record.reading[0] = (struct reading){.point = source == SOURCE_GAUGE ? 1 : 21, .quality = q1};
    record.reading[1] = (struct reading){.point = source == SOURCE_GAUGE ? 2 : 22, .quality = q2};
    record.reading[2] = (struct reading){.point = source == SOURCE_GAUGE ? 16 : 31, .quality = q16};
    ledger_see_scan(book->ledger, &scan, &record, &due);
    book_take(book);
    rig->boot_ms += 9880;
    rig->utc_ms += 9880;
}

void book_poll_good(struct book *book, int n)
{
    for (int i = 0; i < n; i++)
        book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_ANSWERED, QUALITY_GOOD, QUALITY_GOOD,
                       QUALITY_GOOD);
}

void book_poll_silent(struct book *book, int n)
{
    for (int i = 0; i < n; i++)
        book_poll_with(book, 0, SOURCE_GAUGE, OUTCOME_SILENT, QUALITY_LINE_DOWN, QUALITY_LINE_DOWN,
                       QUALITY_LINE_DOWN);
}
