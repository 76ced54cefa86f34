/* Sentences in the order in which they were said, in no more room than they take: most comparisons have none.
 */
#ifndef ANALYZE_TEXT_LIST_H
#define ANALYZE_TEXT_LIST_H

#include <stdbool.h>
#include <stddef.h>

struct text_list {
    size_t count, size;
    char *all; /* one after the other, each with its end; NULL: none. Belongs to the list */
    bool lost; /* there was no memory for one of them: what holds the list is then not to be used */
};

void text_list_add(struct text_list *list, const char *text);
/* The i-th, from 0, below count. Valid until the next one is added. */
const char *text_list_at(const struct text_list *list, size_t i);
bool text_list_holds(const struct text_list *list, const char *text);
void text_list_free(struct text_list *list);

#endif
