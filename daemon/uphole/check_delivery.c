/* SPDX-License-Identifier: Apache-2.0
 *
 * check_delivery.c - what `check` says of a destination's limits and secrets: the bytes of a month
 * against `at_most`, the records a second against `backlog_at_most`, and where a credential is
 * looked for.
 */
#include "check.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define DAYS_A_MONTH 31.0 /* the longest */
/* Each message costs, beside its own bytes: the heads of the packets that carry it, its answer, and
 * the acknowledgement of that (3 x 52 bytes, mqtt_pipe.h), the answer itself (4), and with TLS
 * twice the head and seal of a record (5 + 17 bytes; RFC 8446, 5.2). */
#define HEADS_BYTES (3 * 52 + 4)
#define TLS_BYTES (2 * 22)
#define BYTES_A_PACKET 1400.0

double check_month_bytes(const struct check_destination *at)
{
    const double messages = at->messages_a_day, bytes = at->bytes_a_day;
    const double more_packets = bytes / BYTES_A_PACKET * 52; /* of messages longer than one */
    return DAYS_A_MONTH * (bytes + more_packets +
                           messages * (HEADS_BYTES + (at->destination->tls ? TLS_BYTES : 0)));
}

static double records_a_second(const struct check_facts *facts)
{
    double rate = 0;
    for (unsigned i = 0; i < facts->n_sources; i++)
        rate += 1000.0 / facts->sources[i].entry->poll_every_ms;
    return rate;
}

void check_advise_limits(struct check_facts *facts, const struct check_destination *at)
{
    const struct destination_plan *to = at->destination;
    const double needed = check_month_bytes(at), rate = records_a_second(facts);
    if (to->at_most_a_month > 0 && needed > (double)to->at_most_a_month)
        check_advise(facts,
                     "Destination %s: the plan needs about %.0f MB a month, more than `at_most` of "
                     "%.0f MB: from about day %.0f of a month on records wait, stored, for the "
                     "next. Poll less often, or raise `at_most` or `latest_every`.",
                     to->name, needed / 1e6, (double)to->at_most_a_month / 1e6,
                     1 + DAYS_A_MONTH * (double)to->at_most_a_month / needed);
    if (to->backlog_at_most > 0 && to->backlog_at_most <= rate)
        check_advise(facts,
                     "Destination %s: `backlog_at_most` of %u records/s is no more than the %.1f "
                     "records/s that the plan makes, so a backlog would never end.",
                     to->name, to->backlog_at_most, rate);
}

void check_credential(const char *name, char *into, size_t room)
{
    const char *directory = getenv("CREDENTIALS_DIRECTORY");
    struct stat status;
    char path[PATH_LENGTH_MAX * 2];
    if (directory != NULL && directory[0] == '/') {
        (void)snprintf(path, sizeof path, "%s/%s", directory, name);
        (void)snprintf(into, room, "%s %s", stat(path, &status) == 0 ? "is" : "is missing from",
                       stat(path, &status) == 0 ? path : directory);
    } else {
        (void)snprintf(into, room,
                       "is looked for in the service's $CREDENTIALS_DIRECTORY when it runs "
                       "(`LoadCredential=%s:PATH` in the unit)",
                       name);
    }
}
