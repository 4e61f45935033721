/* SPDX-License-Identifier: Apache-2.0
 *
 * addresses.c - numbers of registers as documents print them to addresses from 0 as the wire counts
 * them.
 *
 * Numbers such as 30017 or 40017 are a habit on paper: the first digit names the table, the rest
 * counts from 1. (Common practice; the protocol itself counts from 0: Modbus Application Protocol
 * V1.1b3, section 4.4.)
 */
#include "rooms.h"

#include <stdio.h>
#include <string.h>

static char printed_digit(uint8_t table)
{
    return table == TABLE_INPUT      ? '3'
           : table == TABLE_HOLDING  ? '4'
           : table == TABLE_DISCRETE ? '1'
                                     : '0';
}

/* `30017` of input registers to 17; false and a fault where its first digit is another table's. */
static bool printed_to_counted(struct plan_faults *faults, const struct node *node,
                               const char *text, size_t length, uint8_t table, uint64_t *counted)
{
    static const char *const NAMES[] = {"", "coil", "discrete input", "holding register",
                                        "input register"};
    if (table == TABLE_COIL && length <= 5)
        return whole_from_text(text, length, counted);
    if (length < 5 || length > 6) {
        fault_at(faults, node,
                 "`%.*s` is no number as printed; expected 5 or 6 digits such as %c0017, or "
                 "`numbering: from-0`",
                 (int)length, text, printed_digit(table));
        return false;
    }
    if (text[0] != printed_digit(table)) {
        static const char *const OF_DIGIT[] = {"coil", "discrete", NULL, "input", "holding"};
        const char *other = text[0] >= '0' && text[0] <= '4' ? OF_DIGIT[text[0] - '0'] : NULL;
        fault_at(faults, node,
                 "`%.*s` is the number of no %s: as printed, these begin with %c%s%s%s",
                 (int)length, text, NAMES[table], printed_digit(table),
                 other ? "; did you mean `" : "", other ? other : "", other ? "`" : "");
        return false;
    }
    return whole_from_text(text + 1, length - 1, counted);
}

bool address_from_text(struct plan_faults *faults, const struct node *node, const char *text,
                       size_t length, int numbering, uint8_t table, uint16_t *address)
{
    uint64_t number;
    if (!whole_from_text(text, length, &number)) {
        fault_at(faults, node, "`%.*s` is no register number; expected a whole number",
                 (int)(length < 40 ? length : 40), text);
        return false;
    }
    if (numbering == 3 && !printed_to_counted(faults, node, text, length, table, &number))
        return false;
    if (numbering != 1 && number == 0) {
        fault_at(faults, node, "`%.*s`: with this `numbering` the first register has number 1",
                 (int)length, text);
        return false;
    }
    const uint64_t from_0 = numbering == 1 ? number : number - 1;
    if (from_0 > 65535) {
        fault_at(
            faults, node,
            "`%.*s` lies outside the address space; expected an address of 0 to 65535 on the wire",
            (int)(length < 40 ? length : 40), text);
        return false;
    }
    *address = (uint16_t)from_0;
    return true;
}

bool address_read(struct plan_faults *faults, const struct node *node, int numbering,
                  unsigned n_words, bool bits_too, const char *owner, uint8_t *table,
                  uint16_t *address)
{
    const struct node *found = NULL;
    for (const struct choice *at = CHOICES_TABLE; at->name; at++) {
        const struct node *value = node_find(node, at->name);
        if (!value)
            continue;
        if (found) {
            fault_at(faults, value->key, "%s stands in two tables, `%s` and `%s`; keep one", owner,
                     found->key->text, at->name);
            return false;
        }
        found = value;
        *table = (uint8_t)at->value;
    }
    if (!found) {
        fault_at(faults, node->key ? node->key : node,
                 "%s has no register; expected `input: N` or `holding: N`%s", owner,
                 bits_too ? ", `coil: N` or `discrete: N`" : "");
        return false;
    }
    if (!value_is_text(faults, found, found->key->text, "a register's number") ||
        !address_from_text(faults, found, found->text, found->length, numbering, *table, address))
        return false;
    if ((unsigned)*address + (n_words > 0 ? n_words - 1 : 0) <= 65535)
        return true;
    fault_at(faults, found, "%s takes %u registers from %u, beyond the last address 65535", owner,
             n_words, *address);
    return false;
}
