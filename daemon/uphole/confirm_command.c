/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm_command.c - `uphole confirm`: a person has compared a channel with the surface unit's
 * screen. Both ends: the command, and the order as the daemon takes it (confirm_hand.c does it).
 */
#include "confirm.h"

#include "order.h"
#include "socket.h"
#include "socket_ask.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

int order_confirm(struct order_view *view, const struct asker *who, const char *arguments,
                  struct socket_text *text)
{
    char sentence[1024];
    const int code = confirm_by_hand(view->core, who->name, arguments, sentence, sizeof sentence);
    text_add(text, "%s", sentence);
    return code;
}

struct confirm_asked {
    struct socket_asked asked;
    const char *screen, *at, *by;
    bool list, withdraw;
};

/** A name behind the options may hold no blank: it is a word of the order. */
static bool is_word(const char *text)
{
    return text[0] != '\0' && strpbrk(text, " \t\r\n") == NULL;
}

static int read_options(int argc, char **argv, struct confirm_asked *out)
{
    static const struct option OPTIONS[] = {SOCKET_ASK_OPTIONS,
                                            {"screen", required_argument, NULL, 's'},
                                            {"at", required_argument, NULL, 'a'},
                                            {"by", required_argument, NULL, 'b'},
                                            {"withdraw", no_argument, NULL, 'w'},
                                            {"list", no_argument, NULL, 'l'},
                                            {"json", no_argument, NULL, 'J'},
                                            {NULL, 0, NULL, 0}};
    *out = (struct confirm_asked){
        .asked = {.config = CONFIG_DEFAULT}, .screen = "", .at = "-", .by = ""};
    optind = 1;
    for (int c; (c = command_option(&COMMAND_CONFIRM, argc, argv, OPTIONS)) != -1;) {
        if (socket_ask_takes(&out->asked, c))
            continue;
        switch (c) {
        case 's':
            out->screen = optarg;
            break;
        case 'a':
            out->at = optarg;
            break;
        case 'b':
            out->by = optarg;
            break;
        case 'w':
            out->withdraw = true;
            break;
        case 'l':
            out->list = true;
            break;
        case 'J':
            out->list = out->asked.json = true;
            break;
        default:
            return EX_USAGE;
        }
    }
    return 0;
}

static int check_words(int argc, char **argv, const struct confirm_asked *asked)
{
    int64_t utc_ms;
    if (argc - optind != 2 || !is_word(argv[optind]) || !is_word(argv[optind + 1]))
        return command_usage_error(&COMMAND_CONFIRM,
                                   "expected a well and a point, as in 'uphole confirm heron-7 "
                                   "intake_pressure --screen \"1790 psi\" --by technician'");
    if (asked->by[0] == '\0' || strspn(asked->by, " ") == strlen(asked->by) ||
        strlen(asked->by) > CONFIRM_ROLE_MAX || !order_text_is_clean(asked->by))
        return command_usage_error(&COMMAND_CONFIRM,
                                   "--by ROLE says in which role you read the screen, in at most "
                                   "%d bytes: technician, operations engineer",
                                   CONFIRM_ROLE_MAX);
    if (asked->withdraw)
        return asked->screen[0] == '\0' && strcmp(asked->at, "-") == 0
                   ? 0
                   : command_usage_error(&COMMAND_CONFIRM,
                                         "--withdraw takes neither --screen nor --at");
    if (strcmp(asked->at, "-") != 0 && !stamp_from_text(asked->at, strlen(asked->at), &utc_ms))
        return command_usage_error(&COMMAND_CONFIRM,
                                   "--at takes a time with its offset, as in 2031-03-01T06:00:05Z");
    if (asked->screen[0] == '\0')
        return command_usage_error(&COMMAND_CONFIRM,
                                   "--screen says what the surface unit's screen shows, number and "
                                   "unit: --screen \"1790 psi\"");
    return 0;
}

/** "1790 psi", "1790psi" -> number and unit; the unit without blanks. */
static bool split_screen(const char *screen, char number[static 64], char unit[static 64])
{
    screen += strspn(screen, " ");
    const size_t n = strspn(screen, "+-.0123456789");
    const char *rest = screen + n + strspn(screen + n, " ");
    size_t length = strlen(rest);
    while (length > 0 && rest[length - 1] == ' ')
        length--;
    if (n == 0 || n >= 64 || length == 0 || length >= 64 || memchr(rest, ' ', length) != NULL)
        return false;
    memcpy(number, screen, n);
    number[n] = '\0';
    memcpy(unit, rest, length);
    unit[length] = '\0';
    return order_text_is_clean(unit);
}

static int run_confirm(int argc, char **argv)
{
    struct confirm_asked asked;
    char order[SOCKET_REQUEST_MAX], number[64] = "", unit[64] = "";
    int code = read_options(argc, argv, &asked);
    if (code != 0)
        return code;
    if (asked.list) {
        code = socket_ask_well(&COMMAND_CONFIRM, argc, argv, &asked.asked);
        return code != 0 ? code
                         : socket_ask_print(&asked.asked,
                                            asked.asked.json ? "confirmed json" : "confirmed text");
    }
    code = check_words(argc, argv, &asked);
    if (code != 0)
        return code;
    if (!asked.withdraw && !split_screen(asked.screen, number, unit))
        return command_usage_error(&COMMAND_CONFIRM,
                                   "'%.60s' is not what a screen shows; expected a number and its "
                                   "unit, as in --screen \"1790 psi\"",
                                   asked.screen);
    if (asked.withdraw)
        snprintf(order, sizeof order, "order confirm %.100s %.100s withdraw %s", argv[optind],
                 argv[optind + 1], asked.by);
    else
        snprintf(order, sizeof order, "order confirm %.100s %.100s %.60s %s %s %s", argv[optind],
                 argv[optind + 1], asked.at, number, unit, asked.by);
    asked.asked.well = NULL;
    return socket_ask_print(&asked.asked, order);
}

const struct command COMMAND_CONFIRM = {
    .name = "confirm",
    .summary = "say that a channel was compared with the surface unit's screen, and is the same",
    .usage = "confirm WELL POINT --screen \"NUMBER UNIT\" --by ROLE [--at TIME] | confirm WELL "
             "POINT --withdraw --by ROLE | confirm WELL --list [--json] [--config FILE [--maps "
             "DIRECTORY] | --journal DIRECTORY]",
    .help =
        "  --screen TEXT        what the screen shows, number and unit: \"1790 psi\"\n"
        "  --by ROLE            in which role you read it: technician, operations engineer\n"
        "  --at TIME            when you read it, in RFC 3339, at most 30 minutes back; now by "
        "default\n"
        "  --withdraw           take a confirmation back\n"
        "  --list               what is confirmed, by whom, when, tied to what, and what ended\n"
        "  --json               the same as one object\n" SOCKET_ASK_HELP "\n"
        "Pressures, temperatures and vibration are unit_unconfirmed until somebody has compared\n"
        "them with the surface unit's own screen. From the next scan on a confirmed point counts\n"
        "as if it stood in confirmed_units of the configuration. Uphole compares too: where the\n"
        "screen's number is not what it reads, or the unit is in doubt, it refuses and says both\n"
        "numbers.\n"
        "\n"
        "A confirmation is tied to the surface unit's serial number, to what the map says of the\n"
        "channel, and to the unit-setting register. It ends with the first scan in which one of\n"
        "these is another, and does not come back by itself.\n"
        "\n"
        "Reading the screen needs no open cabinet on most units; where it does, follow the site's\n"
        "electrical work procedure. Uphole's own user, root and the group named in orders_group\n"
        "may confirm. Exit codes: 65 the numbers differ, or the unit is in doubt; 66 no such well\n"
        "or point; 69 no fresh value, or no Uphole runs with this journal.\n"
        "\n"
        "A confirmation says that screen and registers agree; it does not prove the downhole\n"
        "sensor. Monitoring only; not a protection system.\n",
    .run = run_confirm,
};
