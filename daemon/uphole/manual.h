/* SPDX-License-Identifier: Apache-2.0
 *
 * manual.h - `uphole manual PAGE`: the manual pages and the completion of bash, printed from the
 * table of commands and the tables of keys. For the build, and so not listed among the commands.
 */
#ifndef UPHOLE_MANUAL_H
#define UPHOLE_MANUAL_H

/** argv[1] is `uphole`, `uphole.yaml`, `uphole-map` or `completion`. Returns the exit code. */
int manual_run(int argc, char **argv);

#endif
