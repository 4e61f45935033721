/* SPDX-License-Identifier: Apache-2.0
 *
 * test_score.c - which known map fits a unit, why, and the traps; and drafts of maps. Registers are
 * those of the virtual unit.
 *
 * Source of the four orders: docs/maps.md, the reference rows of register decoding (IEEE 754-2019);
 * of the traps: common practice, no source.
 */
#include "bench.h"

static struct bench bench;
static struct map *known[3];

/** Registers of a unit with this map, watched for a minute. */
static struct find_report *watch(const char *unit_map, const struct map *const *maps,
                                 unsigned n_maps)
{
    bench_init(&bench);
    struct map *map = bench_known_map(unit_map);
    bench_unit(&bench, 1, map, 5000);
    bench.made.units[0].no_discharge = false;
    struct find_options options = bench_options(&bench);
    options.has_speed = options.has_frame = true;
    options.listen_ms = 0;
    options.watch_ms = 60000;
    options.watch_every_ms = 2500;
    options.maps = maps;
    options.n_maps = n_maps;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    free(map);
    return report;
}
static const struct map_score *score_of(const struct find_report *report, const char *name)
{
    for (unsigned i = 0; i < report->n_scores; i++)
        if (strcmp(report->score[i].map->name, name) == 0)
            return &report->score[i];
    fail_msg("no score for %s", name);
    return NULL;
}
static bool warns_of(const struct map_score *score, const char *words)
{
    for (unsigned i = 0; i < score->n_warnings; i++)
        if (strstr(score->warning[i], words) != NULL)
            return true;
    return false;
}
static void load_known(void)
{
    static const char *const NAMES[] = {"scaled-16", "float-low-first", "drive-a"};
    for (unsigned i = 0; i < 3; i++)
        known[i] = bench_known_map(NAMES[i]);
}
static void free_known(void)
{
    for (unsigned i = 0; i < 3; i++)
        free(known[i]);
}

static void the_map_of_the_unit_fits_best_and_without_a_warning(void **state)
{
    (void)state;
    load_known();
    for (unsigned i = 0; i < 3; i++) {
        struct find_report *report = watch(known[i]->name, (const struct map *const *)known, 3);
        check_text("best map", report->score[0].map->name, known[i]->name);
        if (report->score[0].percent < 80 ||
            report->score[1].percent + 20 > report->score[0].percent)
            fail_msg("%s %u %%, %s %u %%", report->score[0].map->name, report->score[0].percent,
                     report->score[1].map->name, report->score[1].percent);
        if (report->score[0].n_warnings != 0)
            fail_msg("%s: %s", known[i]->name, report->score[0].warning[0]);
        assert_true(report->score[0].n_lines >= 2);
        bench_end(&bench, report);
    }
    free_known();
}

/* Two maps read registers that answer alike; only one makes sense of them. Planted defect: values
 * don't count (commission-score-values). */
static void values_tell_maps_of_the_same_registers_apart(void **state)
{
    (void)state;
    struct map *maps[] = {
        bench_map("map: twin-a\nnumbering: from-0\nrefresh: 28 s\nchannels:\n"
                  "  intake_temperature: {input: 16, type: u16, scale: 0.1, unit: degC, "
                  "instrument_range: -20 to 200 degC}\n"
                  "  gauge_supply_voltage: {input: 17, type: u16, scale: 10, unit: V, "
                  "instrument_range: 0 to 200 V}\n"),
        bench_map("map: twin-b\nnumbering: from-0\nrefresh: 28 s\nchannels:\n"
                  "  intake_pressure: {input: 16, type: u16, scale: 0.001, unit: MPa, reference: "
                  "absolute, instrument_range: 0 to 60 MPa}\n"
                  "  intake_temperature: {input: 17, type: s16, scale: 0.1, unit: degC, "
                  "instrument_range: -20 to 200 degC}\n")};
    struct find_report *report = watch("scaled-16", (const struct map *const *)maps, 2);
    check_text("best map", report->score[0].map->name, "twin-b");
    if (report->score[0].percent < report->score[1].percent + 20)
        fail_msg("%u %% and %u %%", report->score[0].percent, report->score[1].percent);
    bench_end(&bench, report);
    free(maps[0]);
    free(maps[1]);
}

static const struct map_score *score_against(const char *text, const char *unit_map,
                                             struct find_report **report, struct map **map)
{
    *map = bench_map(text);
    *report = watch(unit_map, (const struct map *const *)map, 1);
    return score_of(*report, (*map)->name);
}

/* Planted defect: shifts by one are not tried (commission-no-shift). */
static void addresses_that_are_off_by_one_are_told(void **state)
{
    (void)state;
    for (int shift = -1; shift <= 1; shift += 2) {
        struct find_report *report;
        struct map *map = bench_known_map("scaled-16");
        for (unsigned i = 0; i < map->n_channels; i++)
            map->channel[i].address =
                (uint16_t)(map->channel[i].address + shift * (map->channel[i].address > 0));
        report = watch("scaled-16", (const struct map *const *)&map, 1);
        const struct map_score *score = score_of(report, "scaled-16");
        if (!warns_of(score, shift > 0 ? "each lower by one" : "each higher by one"))
            fail_msg("shift %d, %u %%: %s", shift, score->percent,
                     score->n_warnings ? score->warning[0] : "no warning");
        bench_end(&bench, report);
        free(map);
    }
}

/* Planted defect: the other table is not looked at (commission-no-other-table). */
static void holding_registers_that_answer_only_to_function_04_are_told(void **state)
{
    struct find_report *report;
    (void)state;
    struct map *map = bench_known_map("scaled-16");
    for (unsigned i = 0; i < map->n_channels; i++)
        map->channel[i].table = TABLE_HOLDING;
    map->n_never = 0;
    report = watch("scaled-16", (const struct map *const *)&map, 1);
    const struct map_score *score = score_of(report, "scaled-16");
    assert_true(warns_of(score, "function 04"));
    assert_true(score->percent < 60);
    bench_end(&bench, report);
    free(map);
}

/* The unit serves 0.1 degC a count; its document says "x10", and the map multiplies. Planted
 * defect: (commission-no-x10). */
static void a_scale_that_multiplies_where_it_should_divide_is_told(void **state)
{
    struct find_report *report;
    struct map *map;
    (void)state;
    const struct map_score *score =
        score_against("map: times-ten\nnumbering: from-0\nrefresh: 28 s\nchannels:\n"
                      "  motor_winding_temperature: {input: 18, type: s16, scale: 10, unit: degC}\n"
                      "  gauge_supply_voltage: {input: 30, type: u16, scale: 10, unit: V}\n",
                      "scaled-16", &report, &map);
    assert_true(warns_of(score, "motor_winding_temperature"));
    assert_true(warns_of(score, "scale is 0.1"));
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: orders of words are not compared (commission-no-orders). */
static void another_word_order_is_told_with_all_four_decodings(void **state)
{
    struct find_report *report;
    (void)state;
    struct map *map = bench_known_map("float-low-first");
    for (unsigned i = 0; i < map->n_channels; i++)
        if (map->channel[i].n_words == 2)
            map->channel[i].words = WORDS_HIGH_FIRST;
    report = watch("float-low-first", (const struct map *const *)&map, 1);
    const struct map_score *score = score_of(report, "float-low-first");
    assert_true(warns_of(score, "low word first"));
    assert_true(warns_of(score, "high word first, bytes swapped: f32"));
    bench_end(&bench, report);
    free(map);
}

/* 123456.0 as float32 is 0x47F12000 (IEEE 754-2019; the table's test pattern). */
static void the_four_orders_stand_side_by_side(void **state)
{
    const uint16_t words[2] = {0x2000, 0x47F1};
    char text[220];
    (void)state;
    decodings_to_text(words, text, sizeof text);
    assert_non_null(strstr(text, "low word first: f32 123456, u32 1206984704"));
    assert_non_null(strstr(text, "high word first: f32 "));
}

/* ---- drafts ---- */

/** Replaces the first `from` in a line. */
static void replace(char *line, size_t room, const char *from, const char *to)
{
    char *at = strstr(line, from), rest[400];
    if (at == NULL)
        return;
    snprintf(rest, sizeof rest, "%s", at + strlen(from));
    snprintf(at, room - (size_t)(at - line), "%s%s", to, rest);
}

/** Completes marked lines as a person would, deletes those for which no point is left. */
static void fill(FILE *draft, FILE *out, unsigned *filled)
{
    char line[400];
    unsigned point = 0;
    *filled = 0;
    while (fgets(line, sizeof line, draft) != NULL) {
        if (line[strspn(line, " ")] == '#' || strstr(line, "FILL") == NULL) {
            fputs(line, out);
            continue;
        }
        replace(line, sizeof line, "refresh: FILL", "refresh: 28 s");
        if (strstr(line, "FILL-point") != NULL) {
            do
                point++;
            while (point < POINT_COUNT && (point_get(point)->type != POINT_MEASURED ||
                                           point_get(point)->kind == QUANTITY_PRESSURE ||
                                           point_get(point)->unit[0] == '\0'));
            if (point >= POINT_COUNT)
                continue;
            replace(line, sizeof line, "FILL-point", point_get(point)->id);
            replace(line, sizeof line, "type: FILL", "type: u16");
            replace(line, sizeof line, "scale: FILL", "scale: 0.1");
            char unit[40];
            snprintf(unit, sizeof unit, "unit: \"%s\"", point_get(point)->unit);
            replace(line, sizeof line, "unit: FILL", unit);
            (*filled)++;
        }
        fputs(line, out);
    }
}

/* Planted defect: a marked line lacks its end (commission-draft-broken). */
static void a_draft_is_a_map_once_its_marked_lines_are_filled(void **state)
{
    static const char *const UNITS[] = {"scaled-16", "float-low-first", "drive-a"};
    (void)state;
    for (unsigned i = 0; i < 3; i++) {
        struct find_report *report = watch(UNITS[i], NULL, 0);
        char *draft = NULL, *whole = NULL;
        size_t n, m;
        unsigned filled;
        struct plan_faults faults = {0};
        struct map *map = NULL;
        FILE *out = open_memstream(&draft, &n);
        find_print_draft(out, report, "my-unit");
        fclose(out);
        assert_non_null(strstr(draft, "FILL"));
        FILE *in = fmemopen(draft, n, "r");
        out = open_memstream(&whole, &m);
        fill(in, out, &filled);
        fclose(in);
        fclose(out);
        char path[] = "/tmp/uphole-draft-XXXXXX";
        const int fd = mkstemp(path);
        assert_true(fd >= 0 && write(fd, whole, m) == (ssize_t)m);
        close(fd);
        if (map_from_file(path, &map, &faults) != UP_OK)
            fail_msg("%s: line %d: %s\n%s", UNITS[i], faults.fault[0].line, faults.fault[0].text,
                     whole);
        unlink(path);
        assert_true(filled >= 5);
        check_count("channels", map->n_channels, filled);
        free(map);
        free(draft);
        free(whole);
        bench_end(&bench, report);
    }
}

/* Planted defect: low-first floats are drafted high-first (commission-draft-order). */
static void a_draft_tells_floats_counters_and_what_moves(void **state)
{
    (void)state;
    struct find_report *report = watch("float-low-first", NULL, 0);
    char *draft = NULL;
    size_t n;
    FILE *out = open_memstream(&draft, &n);
    find_print_draft(out, report, "my-unit");
    fclose(out);
    assert_non_null(strstr(draft, "{holding: 110, type: f32, words: low-first, unit: FILL}"));
    assert_non_null(strstr(draft, "# holding 101: raw"));
    assert_non_null(strstr(draft, "counts upwards: a refresh_counter?"));
    assert_non_null(strstr(draft, "largest_read: 40 registers"));
    free(draft);
    bench_end(&bench, report);
}

/* Registers that answer are not enough: a map whose values are mostly nonsense is proposed to
 * nobody. Planted defect: commission-nonsense-fits. */
static void a_map_whose_values_make_no_sense_is_not_put_into_the_stanza(void **state)
{
    (void)state;
    struct map *maps[] = {bench_known_map("drive-a")};
    struct find_report *report = watch("float-low-first", (const struct map *const *)maps, 1);
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    find_print_stanza(out, report);
    fclose(out);
    if (strstr(text, "map: my-unit") == NULL)
        fail_msg("%u %%: %s", report->score[0].percent, text);
    free(text);
    bench_end(&bench, report);
    free(maps[0]);
}

static bool is_two_words(const struct channel *channel)
{
    return channel->n_words == 2;
}

/* Each half of a float32 makes a number with its neighbour, so that values alone take another order
 * of words for addresses that are off by one, and the other way round: the status and the counter
 * of refreshes tell, which have places of their own. Planted defect: they are not asked
 * (commission-no-anchors). */
static void another_order_of_words_and_moved_addresses_are_told_apart(void **state)
{
    (void)state;
    for (int moved = -1; moved <= 1; moved++) {
        struct map *map = bench_known_map("float-low-first");
        for (unsigned i = 0; i < map->n_channels; i++)
            if (moved)
                map->channel[i].address = (uint16_t)(map->channel[i].address + moved);
            else if (is_two_words(&map->channel[i]))
                map->channel[i].words = WORDS_HIGH_FIRST;
        map->status_address = (uint16_t)(map->status_address + moved);
        map->counter_address = (uint16_t)(map->counter_address + moved);
        struct find_report *report = watch("float-low-first", (const struct map *const *)&map, 1);
        const struct map_score *score = score_of(report, "float-low-first");
        if (warns_of(score, "each lower by one") != (moved == 1) ||
            warns_of(score, "each higher by one") != (moved == -1) ||
            warns_of(score, "fit better low word first") != (moved == 0))
            fail_msg("%s: %u warnings, %s", moved ? "moved" : "other order", score->n_warnings,
                     score->n_warnings ? score->warning[0] : "none");
        bench_end(&bench, report);
        free(map);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_map_of_the_unit_fits_best_and_without_a_warning),
        cmocka_unit_test(values_tell_maps_of_the_same_registers_apart),
        cmocka_unit_test(addresses_that_are_off_by_one_are_told),
        cmocka_unit_test(a_map_whose_values_make_no_sense_is_not_put_into_the_stanza),
        cmocka_unit_test(another_order_of_words_and_moved_addresses_are_told_apart),
        cmocka_unit_test(holding_registers_that_answer_only_to_function_04_are_told),
        cmocka_unit_test(a_scale_that_multiplies_where_it_should_divide_is_told),
        cmocka_unit_test(another_word_order_is_told_with_all_four_decodings),
        cmocka_unit_test(the_four_orders_stand_side_by_side),
        cmocka_unit_test(a_draft_is_a_map_once_its_marked_lines_are_filled),
        cmocka_unit_test(a_draft_tells_floats_counters_and_what_moves),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
