#include "rig/simulator/word_list.h"

#include <string.h>

enum err_code word_list_read(const char *option, const char *list,
                             enum err_code (*read)(char *word, void *context, struct err *e), void *context,
                             struct err *e)
{
    for (;;) {
        char word[WORD_LIST_WORD_MAX];
        const size_t length = strcspn(list, ",");
        if (length >= sizeof word)
            return err_set(e, ERR_USAGE, "%s: '%.32s...' is too long for a word", option, list);
        memcpy(word, list, length);
        word[length] = '\0';
        const enum err_code code = read(word, context, e);
        if (code != ERR_OK)
            return code;
        if (list[length] == '\0')
            return ERR_OK;
        list += length + 1;
    }
}
