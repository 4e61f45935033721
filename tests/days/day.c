/* SPDX-License-Identifier: Apache-2.0
 *
 * day.c - see day.h.
 */
#include "day_inside.h"

#include "check.h"

#include <dirent.h>
#include <inttypes.h>
#include <stdlib.h>
#include <unistd.h>

/* ---- the clock ---- */

/* A day is short: so that most of its scans are sealed, and read back from blocks, early. */
static const struct journal_sealing SOON = {.keep_rows = 200, .block_rows = 300, .range_rows = 2000};

static int64_t clock_boot(void *context)
{
    return ((struct day *)context)->now_us;
}
static int64_t clock_utc(void *context)
{
    const struct day *day = context;
    return day->now_us + day->utc_offset_us +
           (day->now_us - day->slew_from_us) * day->slew_ppm / 1000000;
}
static int64_t clock_asleep(void *context)
{
    return ((struct day *)context)->asleep_us;
}
static bool clock_synchronised(void *context)
{
    return !((struct day *)context)->options.clock_unsynchronised;
}
static void clock_sleep(void *context, int64_t until_us)
{
    struct day *day = context;
    if (until_us > day->now_us)
        day->now_us = until_us;
}

int64_t day_now_ms(const struct day *day)
{
    return day->now_us / 1000;
}

int64_t day_unit_now_ms(const struct day *day)
{
    return day_now_ms(day) + day->units_ahead_ms[day->boot];
}

/* ---- making and unmaking ---- */

static void remove_directory(const char *path)
{
    DIR *directory = opendir(path);
    char file[512];
    for (struct dirent *entry; directory != NULL && (entry = readdir(directory)) != NULL;) {
        if (entry->d_name[0] == '.')
            continue;
        snprintf(file, sizeof file, "%s/%s", path, entry->d_name);
        unlink(file);
    }
    if (directory != NULL)
        closedir(directory);
    rmdir(path);
}

struct plan *day_read_plan(const struct day *day)
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    assert_non_null(out);
    fprintf(out, "%s\njournal: {path: %s%s}\n", day->options.config, day->directory,
            day->options.journal != NULL ? day->options.journal : "");
    fclose(out);
    char path[sizeof day->directory + 16];
    snprintf(path, sizeof path, "%s/day.yaml", day->directory);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fwrite(text, 1, length, file);
    fclose(file);
    free(text);
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct plan *plan = NULL;
    const enum up_rc rc = plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, faults);
    unlink(path);
    if (rc != UP_OK)
        fail_msg("the day's configuration: %s",
                 faults->n > 0 ? faults->fault[0].text : "no reason given");
    free(faults);
    return plan;
}

static void make_unit(struct day *day, const struct source_entry *entry, uint64_t seed)
{
    struct day_unit *unit = &day->units[day->n_units];
    assert_true(day->n_units < DAY_UNITS_MAX);
    unit->line = entry->line;
    unit->unit_id = entry->unit_id;
    const int64_t before_ms =
        day->options.powered_before_ms != 0 ? day->options.powered_before_ms : 600000;
    /* Units outlive a restart of the daemon, so they keep a copy of their map. */
    unit->map = malloc(sizeof *unit->map);
    *unit->map = day->plan->maps[entry->map];
    const struct virtual_unit_options options = {.map = unit->map,
                                                 .unit_id = entry->unit_id,
                                                 .seed = seed,
                                                 .refresh_ms = day->options.refresh_ms,
                                                 .no_discharge =
                                                     day->options.no_discharge[day->n_units],
                                                 .powered_at_ms = DAY_BOOT_MS - before_ms};
    struct up_error error = {0};
    unit->unit = virtual_unit_create(&options, &error);
    if (unit->unit == NULL)
        fail_msg("%s", error.why);
    day->n_units++;
}

/** One for each unit id of a line; a later entry with another unit id is another unit. */
static void make_units(struct day *day)
{
    for (uint16_t w = 0; w < day->plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
            for (uint16_t e = 0; e < day->plan->wells[w].n_entries[s]; e++) {
                const struct source_entry *entry = &day->plan->wells[w].entries[s][e];
                if (day_find_unit(day, entry->line, entry->unit_id) == NULL)
                    make_unit(day, entry, day->options.seed + w + 1000u * e);
            }
}

static const struct destination_plan *find_destination(const struct plan *plan, uint8_t medium,
                                                       uint16_t *index)
{
    for (uint16_t i = 0; i < plan->n_destinations; i++)
        if (plan->destinations[i].medium == medium) {
            *index = i;
            return &plan->destinations[i];
        }
    return NULL;
}

struct day *day_create(const struct day_options *options)
{
    struct day *day = calloc(1, sizeof *day);
    assert_non_null(day);
    day->options = *options;
    /* The day's kills are the harness's own, so no sync has to reach a disk: memory will do. */
    const char *base = getenv("TMPDIR");
    if (base == NULL && access("/dev/shm", W_OK) == 0)
        base = "/dev/shm";
    snprintf(day->directory, sizeof day->directory, "%s/uphole-day-XXXXXX",
             base != NULL ? base : "/tmp");
    assert_non_null(mkdtemp(day->directory));
    day->now_us = DAY_BOOT_MS * 1000;
    day->utc_offset_us =
        (options->utc_ms != 0 ? options->utc_ms : DAY_START_UTC_MS) * 1000 - day->now_us;
    day->clock = (struct up_clock){.boot_us = clock_boot,
                                   .utc_us = clock_utc,
                                   .is_synchronised = clock_synchronised,
                                   .sleep_until = clock_sleep,
                                   .context = day,
                                   .boot = DAY_BOOT_FIRST,
                                   .asleep_us = clock_asleep};
    day->broker_up = true;
    day->plan = day_read_plan(day);
    make_units(day);
    plan_free(day->plan);
    day->plan = NULL;
    day_start(day);
    return day;
}

/** Starts the well side anew on the journal that is there. */
void day_start(struct day *day)
{
    struct up_error error = {0};
    day->plan = day_read_plan(day);
    char boot_id[37];
    snprintf(boot_id, sizeof boot_id, "%08x-0000-4000-8000-000000000001", day->clock.boot);
    if (journal_open(day->directory, &day->clock, boot_id, &day->journal, &error) != UP_OK)
        fail_msg("%s", error.why);
    journal_set_sealing(day->journal, &SOON);
    struct clock_watch watch = {.floor_utc_ms = 1700000000000};
    if (journal_last_run(day->journal)->floor_utc_ms > watch.floor_utc_ms)
        watch.floor_utc_ms = journal_last_run(day->journal)->floor_utc_ms;
    day->floor_utc_ms = watch.floor_utc_ms;
    const struct stamp began = stamp_take(&day->clock, &watch);
    assert_true(day->n_runs < DAY_RUNS_MAX);
    day->began_ms[day->n_runs++] = began.boot_ms;
    bool good = journal_begin_run(day->journal, &began, &day->run, &error) == UP_OK &&
                journal_put_plan(day->journal, day->plan, &began, "start", &error) == UP_OK;
    day->ledger = ledger_create(day->plan, day->run, 512);
    good = good && ledger_load(day->ledger, day->journal, &began, &error) == UP_OK;
    for (uint16_t i = 0; good && i < day->plan->n_lines; i++)
        good = day_make_line(day, i, &began, &error);
    const struct core_options core = {.plan = day->plan,
                                      .clock = &day->clock,
                                      .journal = day->journal,
                                      .ledger = day->ledger,
                                      .rings = day->rings,
                                      .n_rings = day->plan->n_lines,
                                      .run = day->run,
                                      .grid_start_us = began.boot_ms * 1000,
                                      .floor_utc_ms = watch.floor_utc_ms,
                                      .want = day_take_want,
                                      .want_context = day};
    good = good && core_create(&core, &day->core, &error) == UP_OK &&
           journal_make_safe(day->journal, &error) == UP_OK;
    if (!good)
        fail_msg("%s", error.why);
    core_set_safe(day->core);
    day_start_receiver(day);
}

static void drop_well_side(struct day *day)
{
    for (uint16_t i = 0; i < day->plan->n_lines; i++) {
        line_destroy(day->lines[i]);
        ring_destroy(day->rings[i]);
        day->lines[i] = NULL;
        day->rings[i] = NULL;
    }
    day_stop_receiver(day);
    day->plan_serial = 0;
    core_destroy(day->core);
    ledger_destroy(day->ledger);
    retain_close(&day->retain);
    journal_close(day->journal);
    plan_free(day->plan);
    day->core = NULL;
    day->ledger = NULL;
    day->journal = NULL;
    day->plan = NULL;
}

void day_kill(struct day *day, int64_t down_ms)
{
    drop_well_side(day);
    day->now_us += down_ms * 1000;
    day_start(day);
}

static void end_run(struct day *day)
{
    struct up_error error = {0};
    for (uint16_t i = 0; i < day->plan->n_lines; i++)
        line_finish(day->lines[i]);
    core_serve_rest(day->core);
    core_flush(day->core);
    struct clock_watch watch = {0};
    const struct stamp ended = stamp_take(&day->clock, &watch);
    if (journal_end_run(day->journal, &ended, "stopped", &error) != UP_OK)
        fail_msg("%s", error.why);
}

void day_stop(struct day *day, int64_t down_ms)
{
    end_run(day);
    drop_well_side(day);
    day->now_us += down_ms * 1000;
    day_start(day);
}

void day_boot_again(struct day *day, const struct day_reboot *reboot)
{
    const int64_t units_ms = day_unit_now_ms(day) + reboot->off_ms + reboot->up_ms;
    const int64_t utc_us = clock_utc(day) + (reboot->off_ms + reboot->up_ms) * 1000;
    if (reboot->is_clean)
        end_run(day);
    drop_well_side(day);
    assert_true(++day->boot < DAY_BOOTS_MAX);
    day->clock.boot = DAY_BOOT_FIRST + (uint32_t)day->boot;
    day->now_us = reboot->up_ms * 1000;
    day->asleep_us = day->slew_ppm = 0;
    day->units_ahead_ms[day->boot] = units_ms - reboot->up_ms;
    day->utc_offset_us =
        (reboot->rtc_utc_ms != 0 ? reboot->rtc_utc_ms * 1000 : utc_us) - day->now_us;
    day_start(day);
}

void day_suspend(struct day *day, int64_t ms)
{
    day->now_us += ms * 1000;
    day->asleep_us += ms * 1000;
}

void day_restart_with(struct day *day, const char *config)
{
    day->options.config = config;
    day_stop(day, 1000);
}

void day_destroy(struct day *day)
{
    end_run(day);
    drop_well_side(day);
    for (size_t i = 0; i < day->n_units; i++) {
        virtual_unit_destroy(day->units[i].unit);
        free(day->units[i].map);
        free(day->units[i].truths);
    }
    (void)day_audit(day);
    remove_directory(day->directory);
    free(day);
}

void day_set_synchronised(struct day *day, bool synchronised)
{
    day->options.clock_unsynchronised = !synchronised;
}

int day_resend(struct day *day, const char *arguments, char *text, size_t room)
{
    return resend_by_hand(day->core, "jana", arguments, text, room);
}

int day_confirm(struct day *day, const char *arguments, char *text, size_t room)
{
    return confirm_by_hand(day->core, "jana", arguments, text, room);
}

/* ---- running ---- */

void day_run_without_core(struct day *day, int64_t ms)
{
    const int64_t end_us = day->now_us + ms * 1000;
    while (day->now_us < end_us) {
        uint16_t which = 0;
        for (uint16_t i = 1; i < day->plan->n_lines; i++)
            if (day->line_next_us[i] < day->line_next_us[which])
                which = i;
        if (day->line_next_us[which] > day->now_us)
            day->now_us = day->line_next_us[which] < end_us ? day->line_next_us[which] : end_us;
        if (day->now_us >= day->line_next_us[which])
            day->line_next_us[which] = line_step(day->lines[which]);
    }
}

static void keep_room(struct day *day)
{
    struct clock_watch watch = {.floor_utc_ms = day->floor_utc_ms};
    const struct retain_options options = {.plan = day->plan,
                                           .clock = &day->clock,
                                           .watch = &watch,
                                           .journal = day->journal,
                                           .core = day->core};
    if (!core_journal_refuses(day->core))
        retain_step(&day->retain, &options);
}

void day_run_for(struct day *day, int64_t ms)
{
    const int64_t end_us = day->now_us + ms * 1000;
    while (day->now_us < end_us) {
        keep_room(day);
        int64_t next_us = core_step(day->core);
        day_serve_receiver(day);
        uint16_t which = UINT16_MAX;
        for (uint16_t i = 0; i < day->plan->n_lines; i++)
            if (day->line_next_us[i] < next_us) {
                next_us = day->line_next_us[i];
                which = i;
            }
        if (next_us > end_us)
            next_us = end_us;
        if (next_us > day->now_us)
            day->now_us = next_us;
        if (which != UINT16_MAX && day->now_us >= day->line_next_us[which])
            day->line_next_us[which] = line_step(day->lines[which]);
    }
}

void day_set_broker(struct day *day, bool up)
{
    day->broker_up = up;
    day_say_destination(day);
}

void day_step_clock(struct day *day, int64_t by_ms)
{
    day->utc_offset_us += by_ms * 1000;
}

struct day_unit *day_find_unit(struct day *day, uint16_t line, uint8_t unit_id)
{
    for (size_t i = 0; i < day->n_units; i++)
        if (day->units[i].line == line && day->units[i].unit_id == unit_id)
            return &day->units[i];
    return NULL;
}

struct virtual_unit *day_unit(struct day *day, uint16_t line, uint8_t unit_id)
{
    struct day_unit *unit = day_find_unit(day, line, unit_id);
    if (unit == NULL)
        fail_msg("no unit %u on line %u", unit_id, line);
    return unit->unit;
}

const struct plan *day_plan(const struct day *day)
{
    return day->plan;
}

const struct day_counts *day_counts_of(const struct day *day)
{
    return &day->counts;
}

uint16_t day_register(struct day *day, uint8_t view, uint16_t address)
{
    assert_non_null(day->image);
    return table_image_register(day->image, view, address);
}

const struct destination_plan *day_destination(const struct day *day, uint8_t medium,
                                               uint16_t *index)
{
    return find_destination(day->plan, medium, index);
}
