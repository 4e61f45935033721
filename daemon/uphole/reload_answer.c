/* SPDX-License-Identifier: Apache-2.0
 *
 * reload_answer.c - the reload at the local socket: the order, and what came of it.
 */
#include "order.h"
#include "reload.h"
#include "socket_answer.h"

#include <inttypes.h>
#include <sysexits.h>

int order_reload(struct order_view *view, const struct asker *who, const char *arguments,
                 struct socket_text *text)
{
    if (arguments[0] != '\0') {
        text_add(text, "A reload takes no words; the file is that of 'uphole run --config'.");
        return EX_USAGE;
    }
    text_add(text, "Request %" PRIu32 ": the configuration is read again.",
             reload_ask(view->daemon, who->name));
    return 0;
}

void reload_as_text(const struct status_view *view, struct socket_text *text)
{
    const struct reload_shown *shown = view->reloaded;
    if (shown == NULL)
        return;
    text_add(text, "%" PRIu32 " %d\n%s", shown->done, shown->code,
             shown->text != NULL ? shown->text : "");
}
