/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_secret.c - where a destination's secret files stand, and the password out of one.
 */
#include "mqtt_secret.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

const char *mqtt_secret_path(const char *file, char into[static SECRET_PATH_MAX])
{
    const char *directory = getenv("CREDENTIALS_DIRECTORY");
    if (directory != NULL && strchr(file, '/') == NULL)
        snprintf(into, SECRET_PATH_MAX, "%s/%s", directory, file);
    else
        snprintf(into, SECRET_PATH_MAX, "%s", file);
    return into;
}

bool mqtt_secret_read(const char *file, char *into, size_t room, struct mqtt_trouble *trouble)
{
    char path[SECRET_PATH_MAX];
    const bool is_credential = strchr(file, '/') == NULL;
    if (is_credential && getenv("CREDENTIALS_DIRECTORY") == NULL) {
        trouble->kind = MQTT_SECRET;
        snprintf(trouble->detail, sizeof trouble->detail,
                 "password_file %.40s is a credential, and none were handed to this process.",
                 file);
        return false;
    }
    int fd = open(mqtt_secret_path(file, path), O_RDONLY | O_CLOEXEC);
    ssize_t n = fd < 0 ? -1 : read(fd, into, room);
    int why = errno;
    if (fd >= 0)
        close(fd);
    if (n < 0) {
        trouble->kind = MQTT_SECRET;
        snprintf(trouble->detail, sizeof trouble->detail,
                 "password_file %.50s can't be read (%.30s).", file, strerror(why));
        return false;
    }
    if ((size_t)n == room) {
        trouble->kind = MQTT_SECRET;
        snprintf(trouble->detail, sizeof trouble->detail,
                 "password_file %.40s is longer than %zu bytes. Check that file.", file, room - 1);
        explicit_bzero(into, room);
        return false;
    }
    into[n] = '\0';
    into[strcspn(into, "\r\n")] = '\0';
    return true;
}
