#include "analyze/text_list.h"

#include <stdlib.h>
#include <string.h>

void text_list_add(struct text_list *list, const char *text)
{
    size_t length = strlen(text) + 1;
    char *grown = realloc(list->all, list->size + length);
    if (grown == NULL) {
        list->lost = true;
        return;
    }
    memcpy(grown + list->size, text, length);
    list->all = grown;
    list->size += length;
    list->count++;
}

const char *text_list_at(const struct text_list *list, size_t i)
{
    const char *text = list->all;
    while (i-- > 0)
        text += strlen(text) + 1;
    return text;
}

bool text_list_holds(const struct text_list *list, const char *text)
{
    for (size_t i = 0; i < list->count; i++) {
        if (strcmp(text_list_at(list, i), text) == 0)
            return true;
    }
    return false;
}

void text_list_free(struct text_list *list)
{
    free(list->all);
    *list = (struct text_list){.count = 0};
}
