/* Letters for groups that cannot be told apart: two members that share a letter were not shown to differ. */
#ifndef ANALYZE_NUMERICS_GROUP_LETTERS_H
#define ANALYZE_NUMERICS_GROUP_LETTERS_H

#include <stdbool.h>
#include <stddef.h>

#define GROUP_LETTERS_SIZE                                                                                   \
    64 /* bytes of one member's letters; with more than 26 letters they are aa, ab ... set apart by spaces   \
        */

/* differ[i * n + j] (symmetric): i and j were shown to differ. Members are given in the order of their ranks,
 * so that the first one gets "a". text: n strings of GROUP_LETTERS_SIZE bytes. Insert and absorb of Piepho,
 * J. Comput. Graph. Stat. 13 (2004) 456-466. False when there is no memory, or letters run out of room. */
bool group_letters(const bool *differ, size_t n, char (*text)[GROUP_LETTERS_SIZE]);

#endif
