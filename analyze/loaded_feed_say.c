#include "analyze/loaded_feed_say.h"

#include "analyze/interval_text.h"

#include <math.h>
#include <stdio.h>

#define CLAUSE 110
/* Newtons over which lost feed is put in per cent, a force that people have a feeling for. */
#define PER_N 10.0

/* "0.44 % of the feed is lost per 10 N" with the creep coefficient behind it. */
static void creep_clause(const struct loaded_feed_group *g, bool first, char *text, size_t size)
{
    const struct quantity *q = &g->creep_per_n;
    int decimals = interval_text_decimals(q);
    snprintf(text, size, "%.2g %%%s (creep %.*f per N, %.*f to %.*f)", 100 * PER_N * q->value,
             first ? " of the feed is lost per 10 N" : "", decimals, q->value, decimals, q->low_95, decimals,
             q->high_95);
}

static void say_one(const struct loaded_feed_group *g, struct outcome *o)
{
    char creep[CLAUSE], onset[CLAUSE] = "", greatest[CLAUSE] = "", at[64] = "", value[INTERVAL_TEXT_MAX];
    if (g->creep_per_n.present)
        creep_clause(g, true, creep, sizeof creep);
    else
        snprintf(creep, sizeof creep, "no creep coefficient could be found");
    if (!isnan(g->preload_n))
        snprintf(at, sizeof at, "at %.4g N of preload ", g->preload_n);
    if (g->onset_n.present)
        snprintf(onset, sizeof onset, "; gross slip begins at %s",
                 interval_text(&g->onset_n, " N", value, sizeof value));
    if (g->greatest_n.present && g->greatest_n.at_least)
        snprintf(greatest, sizeof greatest, "; no load up to %.4g N stopped the feed", g->greatest_n.value);
    else if (g->greatest_n.present)
        snprintf(greatest, sizeof greatest, "; feed %s at %s", g->stalls > 0 ? "stops" : "would stop",
                 interval_text(&g->greatest_n, " N", value, sizeof value));
    outcome_say(o, "%s%s%s%s", at, creep, onset, greatest);
}

void loaded_feed_say_headline(const struct loaded_feed_groups *groups, struct outcome *o)
{
    const struct loaded_feed_group *least = NULL, *greatest = NULL;
    double speed_mm_s = groups->groups[0].speed_mm_s;
    for (size_t k = 0; k < groups->count; k++) {
        const struct loaded_feed_group *g = &groups->groups[k];
        if (!g->creep_per_n.present || isnan(g->preload_n) || g->speed_mm_s > speed_mm_s * (1 + 1e-6))
            continue;
        least = least != NULL ? least : g;
        greatest = g;
    }
    if (least == greatest) {
        say_one(least != NULL ? least : &groups->groups[0], o);
        return;
    }
    char low[CLAUSE], high[CLAUSE];
    creep_clause(least, true, low, sizeof low);
    creep_clause(greatest, false, high, sizeof high);
    outcome_say(o, "at %.4g N of preload %s; at %.4g N %s", least->preload_n, low, greatest->preload_n, high);
}
