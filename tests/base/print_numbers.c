/* SPDX-License-Identifier: Apache-2.0
 *
 * print_numbers.c - reads lines "double-as-hex resolution", prints number_to_text of each; the
 * other half of numbers_against_decimal.py.
 */
#include "uphole/quantity.h"

#include <stdio.h>
#include <stdlib.h>

int main(void)
{
    char line[128];
    while (fgets(line, sizeof line, stdin) != NULL) {
        char *rest, text[NUMBER_TEXT_MAX];
        double value = strtod(line, &rest);
        number_to_text(value, strtod(rest, NULL), text);
        puts(text);
    }
    return 0;
}
