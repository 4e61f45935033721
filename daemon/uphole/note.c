/* SPDX-License-Identifier: Apache-2.0
 *
 * note.c - the order `note`: a person's words on a gap, kept beside what the box knows of it.
 *
 * `note RUN:ID planned|unplanned N ROLE TEXT`: RUN is the beginning of the run's number, N the
 * bytes of ROLE.
 */
#include "note.h"
#include "by_hand.h"
#include "order.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static size_t characters_of(const char *text)
{
    size_t n = 0;
    for (; *text != '\0'; text++)
        n += ((unsigned char)*text & 0xC0) != 0x80;
    return n;
}

const char *note_trouble(const char *role, const char *text)
{
    if (role[0] == '\0' || strspn(role, " ") == strlen(role))
        return "say with --by in which role you write: technician, operations engineer";
    if (strlen(role) > ASKER_NAME_MAX)
        return "the role is too long; 32 characters are enough";
    if (text[0] == '\0' || strspn(text, " ") == strlen(text))
        return "the note is empty; write what happened, in a sentence";
    if (characters_of(text) > GAP_NOTE_CHARACTERS)
        return "the note is too long: 200 characters at most";
    if (strlen(text) >= GAP_NOTE_MAX)
        return "the note is too long: 600 bytes at most, and its characters take several each";
    return NULL;
}

bool note_read_gap(const char *text, size_t length, struct gap_asked *asked)
{
    static const char HEX[] = "0123456789abcdef";
    char own[48];
    char *end = NULL;
    if (length >= sizeof own)
        return false;
    memcpy(own, text, length);
    own[length] = '\0';
    const size_t digits = strspn(own, HEX);
    if (digits < 4 || digits > 16 || own[digits] != ':' || own[digits + 1] < '1' ||
        own[digits + 1] > '9')
        return false;
    const unsigned long long id = strtoull(own + digits + 1, &end, 10);
    if (*end != '\0' || id > INT64_MAX)
        return false;
    own[digits] = '\0';
    const unsigned shift = 64 - 4 * (unsigned)digits;
    asked->run_low = (uint64_t)strtoull(own, NULL, 16) << shift;
    asked->run_high = asked->run_low | (shift == 0 ? 0 : UINT64_MAX >> (64 - shift));
    asked->id = id;
    return true;
}

struct words {
    struct gap_asked gap;
    bool planned;
    char role[ASKER_NAME_MAX + 1];
    const char *text;
};

static bool read_words(const char *arguments, struct words *words)
{
    char kind[16];
    unsigned n = 0;
    int after = 0;
    const size_t length = strcspn(arguments, " ");
    if (!note_read_gap(arguments, length, &words->gap) ||
        sscanf(arguments + length, " %15[a-z] %2u%n", kind, &n, &after) != 2)
        return false;
    words->planned = strcmp(kind, "planned") == 0;
    arguments += length + (size_t)after;
    if ((!words->planned && strcmp(kind, "unplanned") != 0) || *arguments != ' ' ||
        n > ASKER_NAME_MAX || strlen(arguments) < n + 2 || arguments[1 + n] != ' ')
        return false;
    memcpy(words->role, arguments + 1, n);
    words->role[n] = '\0';
    words->text = arguments + n + 2;
    return true;
}

static int refuse(struct socket_text *text, int code, const char *why)
{
    text_add(text, "%c%s.", why[0] >= 'a' && why[0] <= 'z' ? why[0] - 'a' + 'A' : why[0], why + 1);
    return code;
}

/** "heron-7 line gap since 2031-03-01 06:10:05Z". */
static void say_gap(const struct order_view *view, const struct gap *gap, struct socket_text *text)
{
    char since[STAMP_TEXT_MAX];
    const struct well_plan *well = plan_well_by_number(view->plan, gap->well);
    text_add(text, "%s %s gap since %s",
             well != NULL && !gap->all_wells ? well->id : "all wells:", gap_kind_name(gap->kind),
             stamp_to_short_text(gap->start.utc_ms, since));
}

int order_note(struct order_view *view, const struct asker *who, const char *arguments,
               struct socket_text *text)
{
    struct words words;
    struct gap gap;
    uint64_t ids[NOTE_ROWS_MAX];
    size_t n = 0;
    struct up_error error = {0};
    if (!read_words(arguments, &words))
        return text_not_understood(text);
    const char *trouble = note_trouble(words.role, words.text);
    if (trouble != NULL)
        return refuse(text, EX_DATAERR, trouble);
    if (core_journal_refuses(view->core) || !core_has_room_for_notes(view->core, NOTE_ROWS_MAX))
        return refuse(text, EX_TEMPFAIL,
                      "the journal takes no notes just now. Try again; 'uphole "
                      "status' says how it is");
    const enum up_rc rc =
        ledger_renew(view->ledger, view->journal, &words.gap, &gap, ids, NOTE_ROWS_MAX, &n, &error);
    if (rc != UP_OK)
        return refuse(text, up_exit_code(rc), error.why);
    struct gap_note note = {
        .run = gap.run,
        .utc_ms = view->clock->utc_us(view->clock->context) / 1000,
        .planned = words.planned,
    };
    by_hand_who(words.role, who->name, note.by, sizeof note.by);
    snprintf(note.text, sizeof note.text, "%s", words.text);
    for (size_t i = 0; i < n; i++) {
        note.id = ids[i];
        core_add_note(view->core, &note);
    }
    text_add(text, "Noted by %s on gap %06" PRIx64 ":%" PRIu64 ", ", note.by, gap.run >> 40,
             gap.id);
    say_gap(view, &gap, text);
    if (n > 1)
        text_add(text, ", with %zu more rows of that outage", n - 1);
    text_add(text, "%s: \"%s\".", words.planned ? ", as planned" : "", words.text);
    return 0;
}
