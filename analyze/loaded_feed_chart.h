/* Charts of the loaded-feed test: lost share against force, creep against preload. No I/O. */
#ifndef ANALYZE_LOADED_FEED_CHART_H
#define ANALYZE_LOADED_FEED_CHART_H

#include "analyze/loaded_feed_groups.h"

/* ERR_MEMORY when there is none left. */
enum err_code loaded_feed_chart_draw(const struct loaded_feed_groups *groups, struct outcome *outcome,
                                     struct err *e);

#endif
