/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_secret.h - where a destination's secret files stand, and the password out of one.
 *
 * A path is a path. A name without a slash is a credential of the service manager (systemd.exec(5),
 * LoadCredential=NAME:PATH), in the directory that it names in the environment.
 */
#ifndef UPHOLE_PUBLISH_MQTT_SECRET_H
#define UPHOLE_PUBLISH_MQTT_SECRET_H

#include "mqtt_words.h"

#include <stdbool.h>
#include <stddef.h>

#define SECRET_PATH_MAX (PATH_LENGTH_MAX * 2)

/** The path of `file`, in `into`. */
const char *mqtt_secret_path(const char *file, char into[static SECRET_PATH_MAX]);
/** The first line of `password_file`, which holds less than `room` bytes in all; false: trouble
 * filled. */
bool mqtt_secret_read(const char *file, char *into, size_t room, struct mqtt_trouble *trouble);

#endif
