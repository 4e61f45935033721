/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_begin.c - what a loop check begins or goes on with: the plan in force, the ways to
 * SCADA, and what changed since the last sitting.
 *
 * The plan is the journal's newest, which is the one in force, not the file that may have been
 * edited since.
 */
#include "loop_check_begin.h"

#include "uphole/wall.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

static int say_error(const struct up_error *error)
{
    return command_fail(error);
}

/* ---- the plan ---- */

static int take_plan(struct loop_check *check, const char *well, const struct loop_running *running)
{
    struct gaps_report report = {0};
    struct up_error error = {0};
    report.asked = (struct gaps_asked){
        .well = well, .directory = check->asked.directory, .now_utc_ms = loop_utc_ms(check)};
    const enum up_rc rc = gaps_read(&report, false, &error);
    check->plan = report.plan;
    report.plan = NULL;
    gaps_end(&report);
    if (rc != UP_OK)
        return say_error(&error);
    check->well = check->plan == NULL ? NULL : plan_well_by_id(check->plan, well);
    if (check->well == NULL) {
        fprintf(stderr, "uphole: the running Uphole has no well '%s'; 'uphole status' lists them\n",
                well);
        return EX_NOINPUT;
    }
    if (strcmp(check->plan->digest, running->plan) != 0) {
        fputs("uphole: the running Uphole changes its configuration just now; try again in a few "
              "seconds\n",
              stderr);
        return EX_TEMPFAIL;
    }
    return 0;
}

/* ---- the ways to SCADA ---- */

/** The named destination of that medium, or the first; -1: none. False: there is none of that name.
 */
static bool find_destination(const struct plan *plan, uint8_t medium, const char *name, int *out)
{
    *out = -1;
    for (uint16_t i = 0; i < plan->n_destinations && *out < 0; i++)
        if (plan->destinations[i].medium == medium &&
            (name == NULL || strcmp(name, plan->destinations[i].name) == 0))
            *out = i;
    return *out >= 0 || name == NULL;
}

static int take_paths(struct loop_check *check)
{
    const struct plan *plan = check->plan;
    if (!find_destination(plan, DESTINATION_MQTT, check->destination, &check->mqtt) ||
        !find_destination(plan, DESTINATION_MODBUS_TCP, check->table, &check->served)) {
        fputs("uphole: there is no such destination; 'uphole status' lists them\n", stderr);
        return EX_NOINPUT;
    }
    check->mqtt = check->without_mqtt ? -1 : check->mqtt;
    check->served = check->without_table ? -1 : check->served;
    if (check->mqtt < 0 && check->served < 0) {
        fputs("uphole: neither a broker nor a table is there to be read back, so no loop can be "
              "proved\n",
              stderr);
        return EX_USAGE;
    }
    if (check->served < 0)
        return 0;
    const struct destination_plan *to = &plan->destinations[check->served];
    for (uint16_t i = 0; i < to->n_views && check->view == NULL; i++)
        if (check->view_id == 0 || to->views[i].unit_id == check->view_id)
            check->view = &to->views[i];
    if (check->view == NULL) {
        fprintf(stderr, "uphole: the table %s has no view with unit id %u\n", to->name,
                check->view_id);
        return EX_NOINPUT;
    }
    return 0;
}

static void describe_paths(struct loop_check *check)
{
    static const char *const UNITS[] = {"", "metric", "us", "own"};
    struct loop_record *record = check->record;
    record->mqtt = (struct loop_path){.left_out = check->without_mqtt};
    record->table = (struct loop_path){.left_out = check->without_table};
    if (check->mqtt >= 0) {
        const struct destination_plan *to = &check->plan->destinations[check->mqtt];
        snprintf(record->mqtt.name, sizeof record->mqtt.name, "%s", to->name);
        snprintf(record->mqtt.where, sizeof record->mqtt.where, "%s:%u", to->host, to->port);
        snprintf(record->mqtt.detail, sizeof record->mqtt.detail,
                 "MQTT %s%s, topics %s/%s/%s/#, read back by a session of its own%s",
                 to->mqtt_version == 5 ? "5" : "3.1.1", to->tls ? " over TLS" : "", to->topic_root,
                 check->plan->site, check->well->id,
                 check->reader_user != NULL ? " with a reader's rights" : "");
    }
    if (check->served >= 0) {
        const struct destination_plan *to = &check->plan->destinations[check->served];
        snprintf(record->table.name, sizeof record->table.name, "%s", to->name);
        snprintf(record->table.where, sizeof record->table.where, "%s:%u", to->host, to->port);
        snprintf(record->table.detail, sizeof record->table.detail,
                 "block %u, view of unit id %u: %s units, %s word first; its test pattern read "
                 "123456",
                 check->well->table_block, check->view->unit_id,
                 check->view->units.set <= UNITS_OWN ? UNITS[check->view->units.set] : "",
                 check->view->words == WORDS_HIGH_FIRST ? "high" : "low");
    }
}

/** This check's own session is a subscriber: that nobody else is would not be seen any more. True:
 * nobody is; then Uphole rests for up to a minute between its tries. */
static bool nobody_listens(struct loop_check *check)
{
    char reason[LOOP_TEXT_MAX], of_records[LOOP_TEXT_MAX];
    struct loop_path *path = &check->record->mqtt;
    const size_t n = strlen(path->detail);
    loop_wait_reason(check, path->name, reason, sizeof reason);
    snprintf(of_records, sizeof of_records, "Nobody subscribes to %s/record", check->well->id);
    if (strstr(reason, of_records) == NULL)
        return false;
    loop_say(2,
             "%s This check reads there itself from now on; SCADA's own reader is still to be "
             "set up, and the record says so.",
             reason);
    snprintf(path->detail + n, sizeof path->detail - n,
             ". NOBODY ELSE SUBSCRIBED when this sitting began");
    return true;
}

int loop_open_paths(struct loop_check *check)
{
    struct up_error error = {0};
    if (check->served >= 0 && served_open(check, &error) != UP_OK) {
        (void)say_error(&error);
        fputs("uphole: without the table nothing is proved of it; --without-table leaves it out, "
              "and the record says so\n",
              stderr);
        return EX_UNAVAILABLE;
    }
    const bool is_alone = check->mqtt >= 0 && nobody_listens(check);
    if (check->mqtt >= 0 && hear_open(check, &error) != UP_OK) {
        (void)say_error(&error);
        if (loop_is_stopped)
            return EX_TEMPFAIL;
        fputs("uphole: without the broker nothing is proved of MQTT; --without-mqtt leaves it out, "
              "and the record says so\n",
              stderr);
        return EX_UNAVAILABLE;
    }
    if (check->mqtt < 0)
        return 0;
    loop_say(2, "Listening at %s as %s for the next record of %s%s ...", check->record->mqtt.name,
             read_back_client_id(check->hearing.session), check->well->id,
             is_alone ? ", which may take a minute" : "");
    uint32_t poll_ms = 0;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        if (check->record->source[s].poll_ms > poll_ms)
            poll_ms = check->record->source[s].poll_ms;
    const int64_t until_ms =
        clock_boot_ms(&check->clock) + poll_ms + LOOP_FIRST_MS + (is_alone ? LOOP_ALONE_MS : 0);
    while (check->hearing.n_rows == 0 && check->hearing.session != NULL &&
           clock_boot_ms(&check->clock) < until_ms)
        if (!loop_wait(check, 200))
            return EX_TEMPFAIL;
    if (check->hearing.n_rows > 0)
        return 0;
    fprintf(stderr,
            "uphole: broker %s takes the subscription to %s and sends nothing of it. First compare "
            "'uphole status': are records accepted? Then the broker's rights: may this user read "
            "there (--reader-user names another)? SCADA's own reader may stand before the same "
            "door.\n",
            check->record->mqtt.name,
            check->hearing.session != NULL
                ? read_back_topic_name(check->hearing.session, READ_BACK_RECORD)
                : "it");
    return EX_UNAVAILABLE;
}

/* ---- the record ---- */

static int describe_sources(struct loop_check *check, struct loop_source into[static SOURCE_KINDS])
{
    struct up_error error = {0};
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct source_entry *entry = plan_entry_at(check->well, s, loop_utc_ms(check));
        into[s] = (struct loop_source){0};
        if (entry == NULL)
            continue;
        into[s].source = s;
        into[s].unit_id = entry->unit_id;
        into[s].poll_ms = entry->poll_every_ms;
        into[s].refresh_ms = entry->refresh_ms;
        snprintf(into[s].line, sizeof into[s].line, "%s", check->plan->lines[entry->line].name);
        snprintf(into[s].map, sizeof into[s].map, "%s", check->plan->maps[entry->map].name);
        snprintf(into[s].serial_number, sizeof into[s].serial_number, "%s", entry->serial_number);
        if (plan_map_digest(check->plan, entry->map, into[s].map_digest, &error) != UP_OK)
            return say_error(&error);
    }
    return 0;
}

static void add_channels(struct loop_check *check, uint8_t source)
{
    struct loop_record *record = check->record;
    const struct source_entry *entry = plan_entry_at(check->well, source, loop_utc_ms(check));
    if (entry == NULL)
        return;
    const struct map *map = &check->plan->maps[entry->map];
    for (uint16_t i = 0; i < map->n_channels && record->n_channels < LOOP_CHANNELS_MAX; i++) {
        const struct channel *channel = &map->channel[i];
        if (channel->point == POINT_NONE || channel->point >= POINT_COUNT)
            continue;
        record->channel[record->n_channels++] =
            loop_open_channel(channel->point, source, channel->table, channel->address);
    }
}

static void begin_record(struct loop_check *check)
{
    struct loop_record *record = check->record;
    *record = (struct loop_record){.begun_utc_ms = loop_utc_ms(check)};
    snprintf(record->site, sizeof record->site, "%s", check->plan->site);
    snprintf(record->box, sizeof record->box, "%s", check->plan->box);
    snprintf(record->well, sizeof record->well, "%s", check->well->id);
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        add_channels(check, s);
    for (uint8_t kind = LOOP_ASKING; kind < LOOP_OUTAGE_KINDS; kind++)
        record->outage[record->n_outages++] = (struct loop_outage){.kind = kind};
}

static void add_text(char *into, size_t room, const char *text)
{
    const size_t n = strlen(into);
    snprintf(into + n, room - n, "%s%s", n > 0 ? "; " : "", text);
}

/** What was checked through a source that is another one now is open again. */
static unsigned reopen(struct loop_record *record, uint8_t source)
{
    unsigned n = 0;
    for (unsigned i = 0; i < record->n_channels; i++) {
        struct loop_channel *channel = &record->channel[i];
        if (channel->source != source || channel->result == LOOP_OPEN)
            continue;
        n++;
        *channel = loop_open_channel(channel->point, source, channel->table, channel->address);
    }
    return n;
}

static void compare_sources(struct loop_record *record, const struct loop_source *now,
                            char *differences, size_t room)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        const struct loop_source *before = &record->source[s];
        char text[LOOP_TEXT_MAX];
        const char *what =
            before->source != now[s].source                            ? "source"
            : strcmp(before->serial_number, now[s].serial_number) != 0 ? "serial number"
            : strcmp(before->map_digest, now[s].map_digest) != 0       ? "map"
            : strcmp(before->line, now[s].line) != 0 || before->unit_id != now[s].unit_id
                ? "line or unit id"
                : NULL;
        if (what == NULL)
            continue;
        snprintf(text, sizeof text, "the %s's %s is another: %u channels are open again",
                 source_name(s), what, reopen(record, s));
        add_text(differences, room, text);
    }
}

/** Channels that a changed map has and the record does not, or the other way. */
static void compare_channels(struct loop_check *check, char *differences, size_t room)
{
    struct loop_record *record = check->record;
    struct loop_record *fresh = calloc(1, sizeof *fresh);
    if (fresh == NULL)
        return;
    check->record = fresh;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        add_channels(check, s);
    check->record = record;
    bool is_same = fresh->n_channels == record->n_channels;
    for (unsigned i = 0; i < fresh->n_channels; i++) {
        struct loop_channel *now = &fresh->channel[i];
        is_same = is_same && i < record->n_channels && record->channel[i].point == now->point;
        for (unsigned j = 0; j < record->n_channels; j++)
            if (record->channel[j].point == now->point &&
                record->channel[j].source == now->source) {
                const uint16_t address = now->address;
                const uint8_t table = now->table;
                *now = record->channel[j];
                now->address = address;
                now->table = table;
            }
    }
    if (!is_same)
        add_text(differences, room, "the list of channels is another");
    memcpy(record->channel, fresh->channel, sizeof record->channel);
    record->n_channels = fresh->n_channels;
    free(fresh);
}

static void compare_running(const struct loop_record *record, const struct loop_running *running,
                            char *differences, size_t room)
{
    char text[LOOP_TEXT_MAX];
    if (strcmp(record->plan, running->plan) != 0) {
        snprintf(text, sizeof text, "the configuration is another (%.8s, before %.8s)",
                 running->plan, record->plan);
        add_text(differences, room, text);
    }
    if (strcmp(record->version, running->version) != 0) {
        snprintf(text, sizeof text, "Uphole is %s, before %s", running->version, record->version);
        add_text(differences, room, text);
    }
}

static int begin_sitting(struct loop_check *check, const struct loop_running *running,
                         bool is_resumed)
{
    struct loop_record *record = check->record;
    struct loop_source now[SOURCE_KINDS] = {0};
    char differences[LOOP_SENTENCE_MAX] = "";
    const int code = describe_sources(check, now);
    if (code != 0)
        return code;
    if (is_resumed && strcmp(record->well, check->well->id) == 0) {
        compare_running(record, running, differences, sizeof differences);
        compare_sources(record, now, differences, sizeof differences);
        compare_channels(check, differences, sizeof differences);
    } else if (is_resumed) {
        fputs("uphole: the record in that directory is of another well\n", stderr);
        return EX_DATAERR;
    }
    memcpy(record->source, now, sizeof now);
    snprintf(record->label, sizeof record->label, "%s", check->well->label);
    snprintf(record->plan, sizeof record->plan, "%s", running->plan);
    snprintf(record->version, sizeof record->version, "%s", running->version);
    snprintf(record->versions, sizeof record->versions, "%s", running->versions);
    snprintf(record->clock, sizeof record->clock, "%s", running->clock);
    record->measure_version = running->measure_version;
    describe_paths(check);
    if (record->n_sittings == LOOP_SITTINGS_MAX) /* the first stays, and the newest */
        memmove(&record->sitting[1], &record->sitting[2],
                (LOOP_SITTINGS_MAX - 2) * sizeof record->sitting[0]);
    else
        record->n_sittings++;
    struct loop_sitting *sitting = &record->sitting[record->n_sittings - 1];
    *sitting = (struct loop_sitting){.begun_utc_ms = loop_utc_ms(check)};
    snprintf(sitting->plan, sizeof sitting->plan, "%s", running->plan);
    snprintf(sitting->version, sizeof sitting->version, "%s", running->version);
    snprintf(sitting->differences, sizeof sitting->differences, "%s", differences);
    return 0;
}

/** Two polls at least, so that a due time falls into each outage. */
static void lengthen_outages(struct loop_check *check)
{
    char how_long[STAMP_TEXT_MAX];
    int64_t least_ms = 0;
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        if (2 * (int64_t)check->record->source[s].poll_ms > least_ms)
            least_ms = 2 * (int64_t)check->record->source[s].poll_ms;
    if (least_ms > PAUSE_MOST_MS)
        least_ms = PAUSE_MOST_MS;
    if (check->without_outages || check->outage_ms >= least_ms)
        return;
    check->outage_ms = least_ms;
    loop_say(0, "Each outage test will last %s, two polls, so that a due time falls into it.",
             duration_to_text(least_ms, how_long));
}

int loop_begin(struct loop_check *check, const char *well, bool *is_resumed)
{
    struct loop_running running;
    struct up_error error = {0};
    int code = socket_ask_where(&check->asked, &error);
    if (code == 0)
        code = loop_running_read(check, &running, &error);
    if (code != 0) {
        (void)say_error(&error);
        return code;
    }
    code = take_plan(check, well, &running);
    if (code == 0)
        code = take_paths(check);
    if (code == 0)
        code = loop_file_lock(check);
    if (code != 0)
        return code;
    const enum up_rc rc = loop_file_load(check, &error);
    *is_resumed = rc == UP_OK;
    if (rc == UP_E_MISSING)
        begin_record(check);
    else if (rc != UP_OK)
        return say_error(&error);
    code = begin_sitting(check, &running, *is_resumed);
    if (code == 0)
        lengthen_outages(check);
    return code;
}
