/* SPDX-License-Identifier: Apache-2.0
 *
 * find_consent.c - whose consent is asked for, and why, before a byte is sent; and how far it is.
 *
 * --yes stands for the person at the keyboard, who may not speak for whoever is responsible for
 * another master: where one was heard, that person's role must be stated as well.
 */
#include "find.h"

#include <inttypes.h>
#include <poll.h>
#include <string.h>
#include <unistd.h>

#define PROGRESS_EVERY_US 10000000
#define LOOK_EVERY_MS 100

/** False where nothing was typed, or a signal came: also one between two waits ends it. */
static bool read_answer(struct find_wish *wish, char *into, size_t room)
{
    fflush(stderr);
    struct pollfd typed = {.fd = STDIN_FILENO, .events = POLLIN};
    do
        if (wish->options.is_stopped(wish))
            return false;
    while (poll(&typed, 1, LOOK_EVERY_MS) <= 0);
    if (fgets(into, (int)room, stdin) == NULL)
        return false;
    into[strcspn(into, "\r\n")] = '\0';
    return true;
}

static bool ask_who_agreed(struct find_wish *wish)
{
    fputs("\nReading can disturb: our questions can spoil the answers to the other master, and a "
          "drive that is set to "
          "trip or to control\nspeed on gauge data may then stop or change the pump. The consent "
          "that counts is that of "
          "whoever is responsible for it.\n"
          "Who is that, and has agreed (a role, such as drive engineer; nothing: don't ask)? ",
          stderr);
    return read_answer(wish, wish->role, sizeof wish->role) && wish->role[0] != '\0' &&
           strpbrk(wish->role, "\"\\") == NULL;
}

static bool consent_beside_master(struct find_wish *wish)
{
    if (wish->agreed_by != NULL && wish->agreed_by[0] != '\0' &&
        (wish->says_yes || isatty(STDIN_FILENO))) {
        snprintf(wish->role, sizeof wish->role, "%s", wish->agreed_by);
        return true;
    }
    if (!wish->says_yes && isatty(STDIN_FILENO))
        return ask_who_agreed(wish);
    fputs("uphole: another master asks on this line, or seems to, so it is not asked. Its "
          "responsible person "
          "must agree first: "
          "then say so by --agreed-by ROLE, beside --yes.\n",
          stderr);
    return false;
}

static bool consent_alone(struct find_wish *wish, const struct find_report *report)
{
    char answer[16];
    const bool is_network = wish->options.line.medium == LINE_MEDIUM_TCP;
    if (wish->says_yes)
        return true;
    if (!isatty(STDIN_FILENO)) {
        fputs("uphole: nothing was asked: there is nobody at the keyboard to consent, and no "
              "--yes.\n",
              stderr);
        return false;
    }
    if (is_network)
        fputs("\nThis host will be asked for registers, by functions that only read.", stderr);
    else
        fprintf(stderr,
                "\nNobody was heard in %.0f s; another master that asks more rarely would not have "
                "been.\n"
                "Now this line will be asked for registers, by functions that only read.",
                (double)report->heard.listened_us / 1e6);
    fputs(" Reading can disturb: if a drive or its controller reads this\n"
          "gauge on the same pair, our questions can spoil its answers, and a drive set to trip on "
          "gauge data may stop "
          "the pump.\n"
          "Has whoever is responsible for the drive agreed? Type yes to ask: ",
          stderr);
    return read_answer(wish, answer, sizeof answer) && strcmp(answer, "yes") == 0;
}

bool find_consent(void *context, const struct find_report *report)
{
    struct find_wish *wish = context;
    char sentence[1200];
    find_end_progress(wish);
    if (wish->only_listens)
        return false;
    find_heard_to_text(&report->heard, sentence, sizeof sentence);
    if (sentence[0] != '\0')
        fprintf(stderr, "%s%s\n",
                report->heard.while_asking ? "Noticed while asking; stopped. " : "", sentence);
    return report->heard.has_master || report->heard.has_runs ? consent_beside_master(wish)
                                                              : consent_alone(wish, report);
}

/* ---- progress ---- */

static void put_left(int64_t left_us, char into[static STAMP_TEXT_MAX])
{
    if (left_us < 0)
        left_us = 0;
    duration_to_text(left_us / 1000, into);
}

void find_progress(void *context, const struct find_progress *progress)
{
    static const char *const PHASES[] = {"", "listens", "asks", "finds registers",
                                         "watches registers"};
    struct find_wish *wish = context;
    char left[STAMP_TEXT_MAX], elapsed[STAMP_TEXT_MAX], line[160];
    const bool is_terminal = isatty(STDERR_FILENO) != 0;
    const int64_t now_us = clock_boot_us(&wish->clock);
    if (!is_terminal && progress->phase == wish->said_phase &&
        now_us - wish->said_us < PROGRESS_EVERY_US)
        return;
    wish->said_phase = progress->phase;
    wish->said_us = now_us;
    put_left(progress->left_us, left);
    put_left(progress->elapsed_us, elapsed);
    const int n = snprintf(line, sizeof line, "%s", PHASES[progress->phase]);
    if (progress->phase == FIND_ASKS && progress->line->medium == LINE_MEDIUM_SERIAL)
        snprintf(line + n, sizeof line - (size_t)n, " unit id %u at %u baud 8%c%u",
                 progress->unit_id, progress->line->baud, progress->line->parity,
                 progress->line->stop_bits);
    else if (progress->phase == FIND_ASKS)
        snprintf(line + n, sizeof line - (size_t)n, " unit id %u, %s", progress->unit_id,
                 progress->line->framing == LINE_FRAMING_RTU ? "RTU over TCP" : "Modbus TCP");
    fprintf(stderr, "%s%s; %u questions in %s; at most %s left%s", is_terminal ? "\r\033[K" : "",
            line, progress->requests, elapsed, left, is_terminal ? "" : "\n");
    wish->has_progress = is_terminal;
}

void find_end_progress(struct find_wish *wish)
{
    if (wish->has_progress)
        fputs("\r\033[K", stderr);
    wish->has_progress = false;
}
