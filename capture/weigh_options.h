/* The options of `weigh' that say what to measure: an argp parser, to be used as a child, that puts the words
 * as they were typed into a struct weigh_order_words (its input). */
#ifndef CAPTURE_WEIGH_OPTIONS_H
#define CAPTURE_WEIGH_OPTIONS_H

#include <argp.h>

extern const struct argp weigh_options_argp;

#endif
