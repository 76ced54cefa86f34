#include "analyze/report/md_anchor.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_SIZE 24

static char *make_text(const struct md_anchors *a, const char *heading, size_t *length)
{
    char *text = malloc(strlen(heading) + NUMBER_SIZE);
    size_t n = 0, same = 0;
    if (text == NULL)
        return NULL;
    for (const char *c = heading; *c != 0; c++) {
        if (*c == ' ')
            text[n++] = '-';
        else if (isalnum((unsigned char)*c) || *c == '-' || *c == '_' || (unsigned char)*c >= 0x80)
            text[n++] = (char)tolower((unsigned char)*c);
    }
    text[n] = 0;
    for (size_t i = 0; i < a->count; i++)
        same += a->list[i].length == n && strncmp(a->list[i].text, text, n) == 0;
    if (same > 0)
        snprintf(text + n, NUMBER_SIZE, "-%zu", same);
    *length = n;
    return text;
}

bool md_anchors_add(struct md_anchors *a, const char *id, const char *heading)
{
    struct md_anchor *larger = realloc(a->list, (a->count + 1) * sizeof *larger), *added;
    if (larger == NULL)
        return false;
    a->list = larger;
    added = &larger[a->count];
    added->text = make_text(a, heading, &added->length);
    if (added->text == NULL)
        return false;
    snprintf(added->id, sizeof added->id, "%s", id);
    a->count++;
    return true;
}

static const char *find(const struct md_anchors *a, const char *id, size_t length)
{
    for (size_t i = 0; i < a->count; i++) {
        if (length > 0 && strlen(a->list[i].id) == length && strncmp(a->list[i].id, id, length) == 0)
            return a->list[i].text;
    }
    return NULL;
}

void md_anchors_write(const struct md_anchors *a, const char *page, size_t length, FILE *out)
{
    const char *anchor = NULL;
    for (size_t i = 0; i < length; i++) {
        if (page[i] == MD_ANCHOR_LINK[0]) {
            size_t id_length = strcspn(page + i + 1, MD_ANCHOR_WORDS);
            anchor = find(a, page + i + 1, id_length);
            i += id_length + 1;
            fputs(anchor != NULL ? "[" : "", out);
        } else if (page[i] == MD_ANCHOR_END[0]) {
            if (anchor != NULL)
                fprintf(out, "](#%s)", anchor);
        } else {
            fputc(page[i], out);
        }
    }
}

void md_anchors_free(struct md_anchors *a)
{
    for (size_t i = 0; i < a->count; i++)
        free(a->list[i].text);
    free(a->list);
    *a = (struct md_anchors){0};
}
