/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_main.c - runs a fuzz target over every file of the directories and files named, so that
 * any compiler replays the corpus.
 *
 * Beside each file as it is, each of its prefixes is run, and each with one byte changed: cheap,
 * and deterministic.
 */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define INPUT_MAX 65536
#define VARIED_MAX 512 /* longer files are run whole only */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/** From memory of just this size, so that a sanitizer sees each read beyond it. */
static void run(const uint8_t *bytes, size_t size)
{
    uint8_t *exact = malloc(size > 0 ? size : 1);
    if (exact == NULL)
        exit(71);
    memcpy(exact, bytes, size);
    LLVMFuzzerTestOneInput(exact, size);
    free(exact);
}

static unsigned long run_file(const char *path)
{
    static uint8_t bytes[INPUT_MAX];
    FILE *file = fopen(path, "rb");
    if (file == NULL) {
        fprintf(stderr, "cannot read %s\n", path);
        exit(66);
    }
    size_t size = fread(bytes, 1, sizeof bytes, file);
    fclose(file);
    run(bytes, size);
    for (size_t i = 0; i < size && size <= VARIED_MAX; i++) {
        static const uint8_t CHANGES[] = {0x01, 0x80, 0xFF};
        run(bytes, i);
        for (size_t change = 0; change < sizeof CHANGES; change++) {
            bytes[i] ^= CHANGES[change];
            run(bytes, size);
            bytes[i] ^= CHANGES[change];
        }
    }
    return 1;
}

int main(int argc, char **argv)
{
    unsigned long files = 0;
    for (int i = 1; i < argc; i++) {
        struct stat about;
        if (stat(argv[i], &about) == 0 && !S_ISDIR(about.st_mode)) {
            files += run_file(argv[i]);
            continue;
        }
        DIR *directory = opendir(argv[i]);
        if (directory == NULL) {
            fprintf(stderr, "cannot read %s\n", argv[i]);
            return 66;
        }
        for (struct dirent *entry; (entry = readdir(directory)) != NULL;) {
            char path[4096];
            if (entry->d_name[0] == '.')
                continue;
            snprintf(path, sizeof path, "%s/%s", argv[i], entry->d_name);
            files += run_file(path);
        }
        closedir(directory);
    }
    printf("%lu files run\n", files);
    return files > 0 ? 0 : 66; /* an empty corpus is no test */
}
