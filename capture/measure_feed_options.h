/* The options of `measure-feed' that say what to measure: an argp parser, to be used as a child, that puts
 * the words as they were typed into a struct measure_feed_words (its input). */
#ifndef CAPTURE_MEASURE_FEED_OPTIONS_H
#define CAPTURE_MEASURE_FEED_OPTIONS_H

#include <argp.h>

extern const struct argp measure_feed_options_argp;

#endif
