/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_lookup.c - a broker's addresses, looked up in a helper thread (why: mqtt_lookup.h).
 */
#include "mqtt_lookup.h"

#include <netdb.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

struct lookup_job {
    atomic_int holders; /* the thread and whoever began it; the last one frees it */
    atomic_bool is_done;
    int done_fd;
    char host[256]; /* a name has 253 characters at most (RFC 1035) */
    struct lookup_result result;
};

static void let_go(struct lookup_job *job)
{
    if (atomic_fetch_sub(&job->holders, 1) != 1)
        return;
    close(job->done_fd);
    free(job);
}

static void look(const char *host, int flags, struct lookup_result *result)
{
    const struct addrinfo wanted = {.ai_socktype = SOCK_STREAM, .ai_flags = flags};
    struct addrinfo *found = NULL;
    *result = (struct lookup_result){.code = getaddrinfo(host, NULL, &wanted, &found)};
    for (const struct addrinfo *at = found; at != NULL && result->n < LOOKUP_ADDRESSES_MAX;
         at = at->ai_next)
        if (getnameinfo(at->ai_addr, at->ai_addrlen, result->address[result->n], LOOKUP_ADDRESS_MAX,
                        NULL, 0, NI_NUMERICHOST) == 0)
            result->n++;
    if (found != NULL)
        freeaddrinfo(found);
    if (result->code == 0 && result->n == 0)
        result->code = EAI_NONAME;
}

static void *work(void *context)
{
    struct lookup_job *job = context;
    const uint64_t one = 1;
    look(job->host, AI_ADDRCONFIG, &job->result);
    atomic_store_explicit(&job->is_done, true, memory_order_release);
    (void)!write(job->done_fd, &one, sizeof one);
    let_go(job);
    return NULL;
}

bool lookup_is_address(const char *host, struct lookup_result *result)
{
    look(host, AI_NUMERICHOST, result);
    return result->code == 0;
}

bool lookup_begin(struct mqtt_lookup *lookup, const char *host)
{
    if (lookup->job != NULL)
        return true;
    struct lookup_job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return false;
    snprintf(job->host, sizeof job->host, "%s", host);
    job->done_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    atomic_init(&job->holders, 2);
    atomic_init(&job->is_done, false);
    pthread_attr_t attributes;
    pthread_t thread;
    bool is_begun = false;
    if (job->done_fd >= 0 && pthread_attr_init(&attributes) == 0) {
        pthread_attr_setdetachstate(&attributes, PTHREAD_CREATE_DETACHED);
        is_begun = pthread_create(&thread, &attributes, work, job) == 0;
        pthread_attr_destroy(&attributes);
    }
    if (is_begun) {
        lookup->job = job;
        return true;
    }
    if (job->done_fd >= 0)
        close(job->done_fd);
    free(job);
    return false;
}

bool lookup_take(struct mqtt_lookup *lookup, struct lookup_result *result)
{
    if (lookup->job == NULL || !atomic_load_explicit(&lookup->job->is_done, memory_order_acquire))
        return false;
    *result = lookup->job->result;
    lookup_leave(lookup);
    return true;
}

int lookup_fd(const struct mqtt_lookup *lookup)
{
    return lookup->job != NULL ? lookup->job->done_fd : -1;
}

void lookup_leave(struct mqtt_lookup *lookup)
{
    if (lookup->job != NULL)
        let_go(lookup->job);
    lookup->job = NULL;
}
