/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate.c - `uphole calculate`: the working of a formula, by the code that the daemon uses.
 */
#include "calculate.h"
#include "command.h"

#include <getopt.h>
#include <string.h>
#include <sysexits.h>

struct printed {
    bool json;
    unsigned passed, failed;
};

static void print_row(void *context, const struct calculate_row *row)
{
    struct printed *printed = context;
    if (printed->json) {
        const char *const member[][2] = {{"{\"id\":", row->id},
                                         {",\"quantity\":", row->quantity},
                                         {",\"got\":", row->got},
                                         {",\"expected\":", row->expected}};
        for (size_t i = 0; i < sizeof member / sizeof *member; i++) {
            fputs(member[i][0], stdout);
            command_json_text(stdout, member[i][1]);
        }
        printf(",\"passed\":%s}\n", row->passed ? "true" : "false");
    } else {
        printf("%-8s %-4s %-30s %s%s%s\n", row->id, row->passed ? "pass" : "fail", row->quantity,
               row->got, row->passed ? "" : ", expected ", row->passed ? "" : row->expected);
    }
    *(row->passed ? &printed->passed : &printed->failed) += 1;
}

static int calculate_table(const char *path, bool json)
{
    struct printed printed = {.json = json};
    struct up_error error = {0};
    enum up_rc rc = calculate_rows_run(path, print_row, &printed, &error);
    if (rc == UP_OK && printed.passed + printed.failed == 0)
        rc = UP_FAIL(&error, UP_E_INPUT,
                     "%.200s holds no row; expected | id | quantity | inputs | expected | "
                     "tolerance | source | with an id such as S-1",
                     path);
    if (rc != UP_OK)
        return command_fail(&error);
    if (!json)
        printf("%u passed, %u failed\n", printed.passed, printed.failed);
    return printed.failed > 0 ? 1 : 0;
}

bool calculate_split(const char *word, struct calculate_pair *pair)
{
    const char *equals = strchr(word, '=');
    const size_t length = equals != NULL ? (size_t)(equals - word) : 0;
    if (length == 0 || length > CALCULATE_NAME_MAX)
        return false;
    memcpy(pair->name, word, length);
    pair->name[length] = '\0';
    pair->value = equals + 1;
    pair->length = strlen(equals + 1);
    return true;
}

static int calculate_one(int argc, char **argv, const char *unit, const char *since, bool json)
{
    struct calculate_pair pairs[FORMULA_INPUTS_MAX];
    struct calculate_sets sets = {.has_since = since != NULL};
    struct calculation calculation = {0};
    struct formula_unit shown;
    struct up_error error = {0};
    const int n = argc - optind - 1;
    if (since != NULL && !calculate_cell_time(since, &sets.since_ms))
        return command_usage_error(&COMMAND_CALCULATE,
                                   "--since '%.40s' is no time; expected one as in "
                                   "2026-03-01T06:00:00Z",
                                   since);
    if (n > FORMULA_INPUTS_MAX)
        return command_usage_error(&COMMAND_CALCULATE, "more than %d inputs", FORMULA_INPUTS_MAX);
    for (int i = 0; i < n; i++)
        if (!calculate_split(argv[optind + 1 + i], &pairs[i]))
            return command_usage_error(&COMMAND_CALCULATE,
                                       "'%s' is no input; expected NAME=VALUE, as in \"p_d=18.5 "
                                       "MPa\"",
                                       argv[optind + 1 + i]);
    enum up_rc rc = calculate_sets_built_in(&sets, &error);
    if (rc == UP_OK)
        rc = calculation_make(argv[optind], pairs, (size_t)n, &sets, &calculation, &error);
    if (rc == UP_OK)
        rc = calculate_result_unit(calculation.formula, unit, unit != NULL ? strlen(unit) : 0,
                                   &shown, &error);
    if (rc == UP_OK)
        (json ? calculate_show_json : calculate_show)(stdout, &calculation, unit);
    calculation_free(&calculation);
    calculate_sets_free(&sets);
    return rc == UP_OK ? 0 : command_fail(&error);
}

static int run_calculate(int argc, char **argv)
{
    static const struct option OPTIONS[] = {
        {"json", no_argument, NULL, 'J'},        {"list", no_argument, NULL, 'l'},
        {"rows", required_argument, NULL, 'r'},  {"in", required_argument, NULL, 'i'},
        {"since", required_argument, NULL, 's'}, {NULL, 0, NULL, 0}};
    const char *rows = NULL, *unit = NULL, *since = NULL;
    bool json = false, list = false;
    if (argc > 1 && strcmp(argv[1], "shut-in") == 0)
        return calculate_shutin(argc - 1, argv + 1);
    optind = 1;
    for (int c; (c = command_option(&COMMAND_CALCULATE, argc, argv, OPTIONS)) != -1;) {
        if (c == 'J')
            json = true;
        else if (c == 'l')
            list = true;
        else if (c == 'r')
            rows = optarg;
        else if (c == 'i')
            unit = optarg;
        else if (c == 's')
            since = optarg;
        else
            return EX_USAGE;
    }
    if ((list || rows != NULL) && optind < argc)
        return command_usage_error(&COMMAND_CALCULATE, "'%s' is one word too many", argv[optind]);
    if (list) {
        calculate_list(stdout, json);
        return 0;
    }
    if (rows != NULL)
        return calculate_table(rows, json);
    if (optind == argc)
        return command_usage_error(&COMMAND_CALCULATE,
                                   "which quantity? Name it, as in 'uphole calculate "
                                   "pump.pressure_head'; --list shows them all");
    return calculate_one(argc, argv, unit, since, json);
}

const struct command COMMAND_CALCULATE = {
    .name = "calculate",
    .summary = "show the working of a formula: inputs, steps, result, validity, source",
    .usage = "calculate QUANTITY NAME=VALUE... [--in UNIT] [--since TIME] [--json] | --rows FILE | "
             "--list "
             "| shut-in --csv FILE ...",
    .help = "  --in UNIT    the unit of the result\n"
            "  --json       one object\n"
            "  --list       the quantities, with their inputs\n"
            "  --since TIME what columns of times count from (without it, from their first)\n"
            "  --rows FILE  run a table of worked examples: rows of\n"
            "               | id | quantity | NAME=VALUE; NAME=VALUE | expected | tolerance | "
            "source |\n"
            "\n"
            "A value is a number with its unit (\"p_d=18.5 MPa\"; without one, the symbol's own "
            "unit), a list ([1,2,3] s), or a word:\n"
            "missing, not_fitted, input_bad. u_NAME=VALUE is the standard uncertainty of NAME; the "
            "result's follows by JCGM 100:2008, 5.1.2.\n"
            "NAME=@FILE:COLUMN takes a list from a CSV file (RFC 4180, with a heading); a unit in "
            "brackets in the heading is the\n"
            "column's, as in 'p_ws [psi]'; RFC 3339 times become seconds. In a table FILE is "
            "relative to the table's directory.\n"
            "data=SET takes a data set; NAME=from QUANTITY the result of another formula with the "
            "same inputs.\n"
            "\n"
            "In a table, expected is a value with its unit, or none:REASON; tolerance is 'rel X', "
            "'abs X' or 'exact'. A line with\n"
            "'data NAME: v v ...' gives a data set. Each row is printed with its result; the last "
            "line is 'N passed, M failed'; exit\n"
            "code 1 where a row failed.\n"
            "\n"
            "A shut-in: Horner's line over a window that you choose, with permeability and skin "
            "where the inputs are given:\n"
            "  uphole calculate shut-in --csv FILE --time COLUMN --pressure COLUMN --shut-at TIME\n"
            "    or --well WELL [--pressure POINT] [--config FILE | --journal DIRECTORY] --shut-at "
            "TIME, straight from the journal,\n"
            "    --producing-time 72h (or --volume V --rate Q) --window 2h..48h [--json] "
            "[NAME=VALUE...]\n"
            "NAME is q, B, mu, h (permeability); phi, c_t, r_w (skin, radius); p_wf (else the last "
            "sample before the shut-in);\n"
            "constant, form (as printed in texts). It also prints the same fit over windows moved "
            "and shortened, and warnings.\n"
            "\n"
            "  uphole calculate pump.pressure_head \"p_d=18.5 MPa\" \"p_i=5.2 MPa\" \"rho=980 "
            "kg/m3\" \"u_rho=15 kg/m3\"\n"
            "\n"
            "For monitoring and review; not for trips, interlocks or closed-loop control.\n",
    .run = run_calculate,
};
