/* The value of an option that is a list of words with commas between them. */
#ifndef RIG_SIMULATOR_WORD_LIST_H
#define RIG_SIMULATOR_WORD_LIST_H

#include "rig/base/err.h"

#define WORD_LIST_WORD_MAX 96 /* bytes of a word with its final zero byte */

/* Call read for each word of list, which it may write into. ERR_USAGE, which names option, for a word of 64
 * bytes or more; else the first error of read. */
enum err_code word_list_read(const char *option, const char *list,
                             enum err_code (*read)(char *word, void *context, struct err *e), void *context,
                             struct err *e);

#endif
