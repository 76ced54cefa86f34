/* Anchors of the headings of a Markdown page, and links within the page. A link is written before it is known
 * whether, and under which heading, its section will stand: so it is kept as marks, and made one at the end.
 */
#ifndef ANALYZE_REPORT_MD_ANCHOR_H
#define ANALYZE_REPORT_MD_ANCHOR_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define MD_ANCHOR_ID_SIZE 64

/* Marks that no text can hold: where a link begins, followed by the id of the section that it leads to; where
 * its words begin; and where they end. */
#define MD_ANCHOR_LINK  "\001"
#define MD_ANCHOR_WORDS "\002"
#define MD_ANCHOR_END   "\003"

struct md_anchor {
    char id[MD_ANCHOR_ID_SIZE]; /* of the section whose first heading it is; "" for none */
    char *text;
    size_t length; /* of text without the number that tells it from earlier ones */
};

/* Empty at first: {0}. */
struct md_anchors {
    struct md_anchor *list;
    size_t count;
};

/* The next heading of the page. Its anchor is what renderers of GitHub Flavored Markdown make of it: small
 * letters, digits, hyphens for blanks, and a number where earlier headings have the same. False without
 * memory. */
bool md_anchors_add(struct md_anchors *a, const char *id, const char *heading);

/* Write the page with its links; a link to a section that is not there is only its words. */
void md_anchors_write(const struct md_anchors *a, const char *page, size_t length, FILE *out);

void md_anchors_free(struct md_anchors *a);

#endif
