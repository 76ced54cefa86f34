#include "analyze/reversal_say.h"

#include "analyze/interval_text.h"
#include "analyze/numerics/formulas.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

/* Bends whose friction differs more than chance allows with this probability contradict the law. */
#define LAW_P 0.05

double reversal_bend_deg(const struct conditions *c)
{
    return c->stated[CONDITION_GUIDE_TUBE_BEND_DEG] ? c->number[CONDITION_GUIDE_TUBE_BEND_DEG] : 0;
}

bool reversal_has_tube(const struct conditions *c)
{
    return reversal_bend_deg(c) >= REVERSAL_BEND_LEAST_DEG;
}

bool reversal_cell_at_feeder(const struct conditions *c)
{
    return c->stated[CONDITION_LOAD_CELL_SEAT] &&
           strcmp(conditions_word(c, CONDITION_LOAD_CELL_SEAT), CONDITION_SEAT_FEEDER) == 0;
}

bool reversal_encoder_at_end(const struct conditions *c)
{
    return c->stated[CONDITION_ENCODER_SEAT] &&
           strcmp(conditions_word(c, CONDITION_ENCODER_SEAT), CONDITION_SEAT_END) == 0;
}

/* The finding in one sentence: what is lost at a turn, and how much of it in the tube of the widest bend. */
static void say_finding(const struct reversal_bend *bends, size_t count, const struct quantity *friction,
                        struct outcome *o)
{
    const struct reversal_bend *widest = &bends[count - 1];
    const struct quantity *lost = &widest->means[REVERSAL_LOST], *tube = &widest->means[REVERSAL_TUBE];
    char rubs[INTERVAL_TEXT_MAX + 16] = "", where[64] = "", text[INTERVAL_TEXT_MAX];
    if (friction != NULL && friction->present)
        snprintf(rubs, sizeof rubs, "tube friction %s", interval_text(friction, "", text, sizeof text));
    if (widest->deg >= REVERSAL_BEND_LEAST_DEG)
        snprintf(where, sizeof where, " with a guide tube bent by %.4g degrees", widest->deg);
    if (lost->present && lost->at_least)
        outcome_say(
            o, "Loses at least %.3g mm when the direction turns round%s; it was not crossed to its end%s%s",
            lost->value, where, rubs[0] != '\0' ? "; " : "", rubs);
    else if (lost->present && tube->present)
        outcome_say(o,
                    "Loses %.*f mm when the direction turns round, %.*f mm of it in the guide tube of %.4g "
                    "degrees%s%s",
                    interval_text_decimals(lost), lost->value, interval_text_decimals(tube), tube->value,
                    widest->deg, rubs[0] != '\0' ? "; " : "", rubs);
    else if (lost->present)
        outcome_say(o, "Loses %.*f mm when the direction turns round%s%s%s", interval_text_decimals(lost),
                    lost->value,
                    reversal_encoder_at_end(run_record_conditions(widest->first->record)) ? where
                                                                                          : ", in the drive",
                    rubs[0] != '\0' ? "; " : "", rubs);
    else if (rubs[0] != '\0')
        outcome_say(o, "The lost motion is not known; %s", rubs);
}

static void say_bend(struct outcome *o, const struct reversal_bend *b)
{
    const struct quantity *energy = &b->means[REVERSAL_ENERGY], *top = &b->means[REVERSAL_TOP],
                          *lost = &b->means[REVERSAL_LOST];
    const struct quantity *tube = &b->means[REVERSAL_TUBE], *mu = &b->means[REVERSAL_FRICTION];
    char where[sizeof b->setting];
    snprintf(where, sizeof where, "%s", b->setting[0] != '\0' ? b->setting : "In this test");
    where[0] = (char)toupper((unsigned char)where[0]);
    char lost_words[INTERVAL_TEXT_MAX + 64] = "", friction_words[INTERVAL_TEXT_MAX + 32] = "",
                                        text[INTERVAL_TEXT_MAX];
    if (lost->present && lost->at_least)
        snprintf(lost_words, sizeof lost_words,
                 "; at least %.3g mm is lost at a turn, not crossed to its end", lost->value);
    else if (lost->present && tube->present)
        snprintf(lost_words, sizeof lost_words, "; %.*f mm is lost at a turn, %s of it in the tube",
                 interval_text_decimals(lost), lost->value, interval_text(tube, " mm", text, sizeof text));
    else if (lost->present)
        snprintf(lost_words, sizeof lost_words, "; %s",
                 interval_text(lost, " mm is lost at a turn", text, sizeof text));
    if (b->deg >= REVERSAL_BEND_LEAST_DEG && mu->present)
        snprintf(friction_words, sizeof friction_words, "; friction coefficient %s",
                 interval_text(mu, "", text, sizeof text));
    if (energy->present)
        outcome_say(o, "%s: a loop up to %.3g N takes %s%s%s", where, top->value,
                    interval_text(energy, " mJ", text, sizeof text), lost_words, friction_words);
    if (energy->present && energy->high_95 < 0)
        outcome_warn(
            o, "%s: the loop gives %.3g mJ back, which no friction does: %s", where, -energy->value,
            reversal_cell_at_feeder(run_record_conditions(b->first->record))
                ? "look for a load cell that shows more while the force falls, or for force and feed "
                  "that are not read at the same time"
                : "the load cell sits behind what rubs, and the force there falls late; seat it at "
                  "the feeder");
}

/* What the places of encoder and load cell let be seen. */
static void say_seats(const struct reversal_bend *bends, size_t count, struct outcome *o)
{
    bool tube = bends[count - 1].deg >= REVERSAL_BEND_LEAST_DEG,
         straight = bends[0].deg < REVERSAL_BEND_LEAST_DEG;
    const struct conditions *c = run_record_conditions(bends[count - 1].first->record);
    bool encoder = true;
    for (size_t i = 0; i < count; i++)
        encoder = encoder && bends[i].first->push.with_encoder;
    if (!encoder)
        outcome_say(o,
                    "Without an encoder lost motion cannot be seen: it is crossed with no force on, on the "
                    "way back and again on the way forward");
    else if (!reversal_encoder_at_end(c))
        outcome_say(o, "The encoder reads the filament at the nip: the lost motion is the drive's alone%s",
                    tube ? ", and what the guide tube loses is not seen; seat it past the tube "
                           "(encoder_seat: end) for that"
                         : "");
    else if (tube)
        outcome_say(o,
                    "The encoder reads the filament past the guide tube: lost motion is that of drive and "
                    "tube together%s",
                    straight ? ""
                             : "; a test of the same feeder without the tube (bend 0) would tell its part");
    if (encoder && reversal_encoder_at_end(c))
        outcome_say(o, "Lost motion is read with no force on alone: under force the filament between nip and "
                       "encoder is compressed, and that is in the measured feed as well");
    if (tube && !reversal_cell_at_feeder(c))
        outcome_say(o, "The load cell sits behind the guide tube and cannot see its friction: seat it at the "
                       "feeder (load_cell_seat: feeder) for that");
}

/* The ratio without a tube must be 1. */
static void look_at_ratio_without(const struct reversal_bend *bends, struct outcome *o)
{
    const struct quantity *ratio = &bends[0].means[REVERSAL_RATIO];
    if (!ratio->present || bends[0].deg >= REVERSAL_BEND_LEAST_DEG)
        return;
    bool one = ratio->low_95 <= 1 && ratio->high_95 >= 1;
    outcome_say(o, "Without a tube the force ratio at the turn is %.4f (%.4f to %.4f): %s", ratio->value,
                ratio->low_95, ratio->high_95, one ? "1 within its interval, as it must be" : "not 1");
    if (!one)
        outcome_warn(o,
                     "without a guide tube the forces before and after the turn differ: something else rubs, "
                     "or the load cell has hysteresis, and the tube's friction holds it");
}

static void say_law(const struct loop_belt *belt, double widest, struct outcome *o)
{
    bool agrees = !(belt->p_value < LAW_P);
    outcome_say(
        o,
        "The law of belt friction, exp(2 mu bend), %s the %zu bends (p = %.2g): mu = %.3f, which makes "
        "the tube take a factor of %.3f at the widest bend",
        agrees ? "agrees with" : "does not agree with", belt->bends, belt->p_value, belt->friction,
        formulas_belt_friction_ratio(belt->friction, widest));
    if (!agrees)
        outcome_warn(o, "the force ratio does not grow with the bend as the law of belt friction has it: the "
                        "friction of one bend does not foretell another's");
}

void reversal_say(const struct reversal_bend *bends, size_t count, const struct quantity *friction,
                  const struct loop_belt *belt, double widest_rad, struct outcome *o)
{
    say_finding(bends, count, friction, o);
    for (size_t i = 0; i < count; i++)
        say_bend(o, &bends[i]);
    look_at_ratio_without(bends, o);
    if (belt->n > 0)
        say_law(belt, widest_rad, o);
    say_seats(bends, count, o);
}

static void draw_loops(const struct reversal_bend *bends, size_t count, struct outcome *o)
{
    struct outcome_chart *chart = outcome_add_chart(o, "loop");
    if (chart == NULL)
        return;
    snprintf(chart->title, sizeof chart->title, "Force against commanded feed, forward and back");
    snprintf(
        chart->description, sizeof chart->description,
        "One run for each bend of the guide tube. The area of a loop is its hysteresis energy; where the "
        "filament sticks in a tube the way back begins steeply.");
    snprintf(chart->x_label, sizeof chart->x_label, "commanded feed in mm");
    snprintf(chart->y_label, sizeof chart->y_label, "force at the load cell in N");
    chart->path = true;
    for (size_t i = 0; i < count; i++) {
        const struct run_trace *t = &bends[i].first->trace;
        struct outcome_group *g =
            outcome_add_group(chart, bends[i].setting[0] != '\0' ? bends[i].setting : "one run", t->n, 0);
        for (size_t j = 0; g != NULL && j < t->n; j++) {
            g->x[j] = t->x[j];
            g->y[j] = t->y[j];
        }
    }
}

static void draw_ratios(const struct reversal_bend *bends, size_t count, struct outcome *o)
{
    const struct outcome_quantity *mu = outcome_find(o, "guide_tube_friction", "over all bends");
    struct outcome_chart *chart;
    struct outcome_group *g;
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        n += bends[i].means[REVERSAL_RATIO].present;
    if (n < 2 || mu == NULL || (chart = outcome_add_chart(o, "friction")) == NULL)
        return;
    snprintf(chart->title, sizeof chart->title, "Friction of the guide tube");
    snprintf(
        chart->description, sizeof chart->description,
        "Logarithm of the force ratio at the turn against the bend of the tube. The law of belt friction "
        "is a straight line through the origin, of slope two times the friction coefficient.");
    snprintf(chart->x_label, sizeof chart->x_label, "bend of the guide tube in degrees");
    snprintf(chart->y_label, sizeof chart->y_label, "ln(force ratio)");
    chart->x_from_zero = chart->y_from_zero = true;
    g = outcome_add_group(chart, "measured, and law of belt friction", n, 2);
    if (g == NULL)
        return;
    n = 0;
    for (size_t i = 0; i < count; i++) {
        const struct quantity *q = &bends[i].means[REVERSAL_RATIO];
        if (!q->present)
            continue;
        g->x[n] = bends[i].deg;
        g->y[n] = log(q->value);
        g->y_low[n] = q->low_95 > 0 ? log(q->low_95) : NAN;
        g->y_high[n++] = log(q->high_95);
    }
    for (int i = 0; i < 2; i++) {
        double radians = i * bends[count - 1].deg * PI / 180;
        g->curve_x[i] = i * bends[count - 1].deg;
        g->curve_y[i] = 2 * mu->q.value * radians;
        g->curve_low[i] = 2 * mu->q.low_95 * radians;
        g->curve_high[i] = 2 * mu->q.high_95 * radians;
    }
}

void reversal_draw(const struct reversal_bend *bends, size_t count, struct outcome *o)
{
    draw_loops(bends, count, o);
    draw_ratios(bends, count, o);
}
