/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin.c - `uphole calculate shut-in`: Horner's line over a window that the person
 * asks for, and what follows from it.
 *
 * Never a judgement of this program: it draws the line where it was told to, and says what speaks
 * against that place.
 */
#include "calculate_shutin.h"
#include "command.h"

#include <getopt.h>
#include <math.h>
#include <string.h>
#include <sysexits.h>

/** A value of a given kind of unit, as in "72h" or "500 stb/d"; all of the text. */
static enum up_rc read_value(const char *option, const char *text, size_t length, const char *like,
                             double *si, struct up_error *error)
{
    struct formula_unit unit;
    double number;
    const char *end = text + length, *at = calculate_number(text, length, &number);
    while (at != NULL && at < end && *at == ' ')
        at++;
    if (at == NULL || at == end || !isfinite(number))
        return UP_FAIL(error, UP_E_USAGE,
                       "%s: '%.*s' is no value with its unit; expected one as in '%s'", option,
                       (int)(length < 40 ? length : 40), text, like);
    const char *unit_like = like + strcspn(like, " ") + 1;
    const enum up_rc rc = calculate_unit(option, unit_like, at, (size_t)(end - at), &unit, error);
    *si = number * unit.factor;
    return rc;
}

/** t_p: as stated, or volume over last rate (buildup.t_p). */
static enum up_rc read_producing_time(struct shutin_asked *asked, struct up_error *error)
{
    double volume = 0.0, rate = 0.0;
    enum up_rc rc = UP_OK;
    if (asked->producing_time != NULL && (asked->volume != NULL || asked->rate != NULL))
        return UP_FAIL(error, UP_E_USAGE,
                       "--producing-time, or --volume and --rate; not both, they may disagree");
    if (asked->producing_time != NULL) {
        rc = read_value("--producing-time", asked->producing_time, strlen(asked->producing_time),
                        "72 h", &asked->t_p, error);
    } else if (asked->volume != NULL && asked->rate != NULL) {
        rc = read_value("--volume", asked->volume, strlen(asked->volume), "12000 stb", &volume,
                        error);
        if (rc == UP_OK)
            rc = read_value("--rate", asked->rate, strlen(asked->rate), "500 stb/d", &rate, error);
        asked->t_p = volume / rate;
    } else {
        return UP_FAIL(
            error, UP_E_USAGE,
            "how long did the well produce before? Say --producing-time 72h, or --volume "
            "and the last --rate");
    }
    if (rc == UP_OK && !(asked->t_p > 0.0 && isfinite(asked->t_p)))
        return UP_FAIL(error, UP_E_USAGE, "the producing time must be above nought");
    return rc;
}

static enum up_rc read_window(struct shutin_asked *asked, struct up_error *error)
{
    const char *dots = asked->window != NULL ? strstr(asked->window, "..") : NULL;
    if (dots == NULL)
        return UP_FAIL(
            error, UP_E_USAGE,
            "over which window? Say --window FROM..TO, times since the shut-in as in "
            "2h..48h: behind wellbore storage, before boundaries. It is yours to choose");
    enum up_rc rc = read_value("--window", asked->window, (size_t)(dots - asked->window), "2 h",
                               &asked->from, error);
    if (rc == UP_OK)
        rc = read_value("--window", dots + 2, strlen(dots + 2), "48 h", &asked->to, error);
    if (rc == UP_OK && !(asked->from > 0.0 && asked->to > asked->from))
        return UP_FAIL(error, UP_E_USAGE,
                       "--window: expected two times after the shut-in, the earlier one first");
    return rc;
}

static enum up_rc read_pairs(struct shutin_asked *asked, int n, char **words,
                             struct up_error *error)
{
    if (n > FORMULA_INPUTS_MAX)
        return UP_FAIL(error, UP_E_USAGE, "more than %d inputs", FORMULA_INPUTS_MAX);
    for (int i = 0; i < n; i++) {
        struct calculate_pair *pair = &asked->pair[asked->n_pairs];
        if (!calculate_split(words[i], pair) || !shutin_takes(pair->name))
            return UP_FAIL(error, UP_E_USAGE,
                           "'%.60s' is no input of a shut-in; expected q, B, mu, h, phi, c_t, r_w, "
                           "p_wf, constant or form, as in \"q=500 stb/d\"",
                           words[i]);
        for (size_t k = 0; k < asked->n_pairs; k++)
            if (strcmp(asked->pair[k].name, pair->name) == 0)
                return UP_FAIL(error, UP_E_USAGE, "%s is given twice", pair->name);
        asked->n_pairs++;
    }
    return UP_OK;
}

static enum up_rc analyse(const struct shutin_asked *asked, struct up_error *error)
{
    struct shutin_analysis analysis;
    struct shutin_record record = {0};
    enum up_rc rc = asked->well != NULL ? shutin_record_of_journal(asked, &record, error)
                                        : shutin_record_read(asked, &record, error);
    if (rc == UP_OK)
        rc = shutin_analyse(asked, &record, &analysis, error);
    if (rc == UP_OK)
        (asked->json ? shutin_show_json : shutin_show)(stdout, &analysis);
    shutin_record_free(&record);
    return rc;
}

enum { WELL = 1000, CONFIG, MAPS, JOURNAL };

/** Where the value of an option goes. */
static const char **place_of(struct shutin_asked *asked, int option)
{
    switch (option) {
    case 'c':
        return &asked->csv;
    case 't':
        return &asked->time;
    case 'p':
        return &asked->pressure;
    case 's':
        return &asked->shut_at;
    case 'P':
        return &asked->producing_time;
    case 'v':
        return &asked->volume;
    case 'q':
        return &asked->rate;
    case 'w':
        return &asked->window;
    case WELL:
        return &asked->well;
    case CONFIG:
        return &asked->config;
    case MAPS:
        return &asked->maps;
    case JOURNAL:
        return &asked->journal;
    default:
        return NULL;
    }
}

int calculate_shutin(int argc, char **argv)
{
    static const struct option OPTIONS[] = {{"csv", required_argument, NULL, 'c'},
                                            {"time", required_argument, NULL, 't'},
                                            {"pressure", required_argument, NULL, 'p'},
                                            {"shut-at", required_argument, NULL, 's'},
                                            {"producing-time", required_argument, NULL, 'P'},
                                            {"volume", required_argument, NULL, 'v'},
                                            {"rate", required_argument, NULL, 'q'},
                                            {"window", required_argument, NULL, 'w'},
                                            {"well", required_argument, NULL, WELL},
                                            {"config", required_argument, NULL, CONFIG},
                                            {"maps", required_argument, NULL, MAPS},
                                            {"journal", required_argument, NULL, JOURNAL},
                                            {"json", no_argument, NULL, 'J'},
                                            {NULL, 0, NULL, 0}};
    struct shutin_asked asked = {0};
    struct up_error error = {0};
    optind = 1;
    for (int c; (c = command_option(&COMMAND_CALCULATE, argc, argv, OPTIONS)) != -1;) {
        const char **place = place_of(&asked, c);
        if (place != NULL)
            *place = optarg;
        else if (c == 'J')
            asked.json = true;
        else
            return EX_USAGE;
    }
    if (asked.well != NULL && (asked.csv != NULL || asked.time != NULL))
        return command_usage_error(&COMMAND_CALCULATE,
                                   "--well reads the journal, --csv a file: state one of them");
    if (asked.shut_at == NULL ||
        (asked.well == NULL && (asked.csv == NULL || asked.time == NULL || asked.pressure == NULL)))
        return command_usage_error(&COMMAND_CALCULATE,
                                   "shut-in needs --csv FILE, --time COLUMN, --pressure COLUMN and "
                                   "--shut-at TIME, or --well WELL and --shut-at TIME");
    enum up_rc rc = read_producing_time(&asked, &error);
    if (rc == UP_OK)
        rc = read_window(&asked, &error);
    if (rc == UP_OK)
        rc = read_pairs(&asked, argc - optind, argv + optind, &error);
    if (rc == UP_OK)
        rc = analyse(&asked, &error);
    return rc == UP_OK ? 0 : command_fail(&error);
}
