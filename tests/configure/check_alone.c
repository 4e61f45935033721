/* SPDX-License-Identifier: Apache-2.0
 *
 * check_alone.c - the command `check` as a program of its own, for tests that need no other
 * command.
 */
#include "../../daemon/uphole/command.h"

int main(int argc, char **argv)
{
    return COMMAND_CHECK.run(argc, argv);
}
