/* SPDX-License-Identifier: Apache-2.0
 *
 * name_server.c - a name server that can fail, for walks: loaded in front of the C library, it
 * answers lookups of names below .heron.example out of the file $UPHOLE_NAMES, which a walk writes.
 *
 *   NAME ADDRESS     has this address
 *   NAME hangs       no answer while the line stands so
 *   NAME again       "try again later", as where no name server is reached
 *
 * A name that isn't in the file isn't found. All other lookups are the C library's own. No real
 * name server can be set for one process alone, hence this.
 */
#include <dlfcn.h>
#include <netdb.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

typedef int lookup(const char *, const char *, const struct addrinfo *, struct addrinfo **);

static void find(const char *name, char word[static 64])
{
    const char *path = getenv("UPHOLE_NAMES");
    FILE *file = path != NULL ? fopen(path, "re") : NULL;
    char at[256], what[64];
    word[0] = '\0';
    while (file != NULL && fscanf(file, "%255s %63s", at, what) == 2)
        if (strcmp(at, name) == 0)
            snprintf(word, 64, "%s", what);
    if (file != NULL)
        fclose(file);
}

int getaddrinfo(const char *name, const char *service, const struct addrinfo *wanted,
                struct addrinfo **found)
{
    static const char OURS[] = ".heron.example";
    const size_t n = name != NULL ? strlen(name) : 0;
    char word[64];
    lookup *real;
    void *symbol = dlsym(RTLD_NEXT, "getaddrinfo");
    memcpy(&real, &symbol, sizeof real);
    if (n < sizeof OURS || strcmp(name + n - (sizeof OURS - 1), OURS) != 0 ||
        (wanted != NULL && (wanted->ai_flags & AI_NUMERICHOST)))
        return real(name, service, wanted, found);
    for (find(name, word); strcmp(word, "hangs") == 0; find(name, word)) {
        const struct timespec pause = {.tv_nsec = 100000000};
        nanosleep(&pause, NULL);
    }
    if (word[0] == '\0')
        return EAI_NONAME;
    return strcmp(word, "again") == 0 ? EAI_AGAIN : real(word, service, wanted, found);
}
