/* What the fits of loaded-feed runs come to, in words. No I/O. */
#ifndef ANALYZE_LOADED_FEED_SAY_H
#define ANALYZE_LOADED_FEED_SAY_H

#include "analyze/loaded_feed_groups.h"

/* The finding in one sentence: creep, onset and greatest force of the only group, or creep at the lowest and
 * the highest preload of the first speed. */
void loaded_feed_say_headline(const struct loaded_feed_groups *groups, struct outcome *o);

#endif
