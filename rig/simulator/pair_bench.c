#include "rig/simulator/pair_bench.h"

#include "rig/base/number.h"
#include "rig/simulator/pair_controller.h"
#include "rig/simulator/seed_of.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TICK_US    1000
#define HANG_MAX_N 100000.0

/* N per unit: the kilogram-force by standard gravity, 9.80665 m/s2, and the pound of 0.45359237 kg. */
static const struct {
    const char *name;
    double newtons;
    int decimals;
} UNITS[PAIR_UNITS] = {{"N", 1, 2}, {"kgf", 9.80665, 3}, {"gf", 9.80665e-3, 0}, {"lbf", 4.4482216152605, 3}};

struct line {
    char text[PAIR_LINE_MAX + 1];
    size_t used;
};

struct pair_bench {
    struct pair_bench_setup setup;
    struct model_state *models;
    uint64_t *mounts;
    size_t feeder;
    struct pair_controller controller;
    struct line controller_line;
    double per_mm;    /* microsteps */
    double origin_mm; /* the controller's position when this run began */
    int64_t time_us;
    int64_t line_due_us;
    int64_t lines;           /* of the gauge, for its clock */
    int64_t first_motion_us; /* -1: none yet */
    bool was_moving;
};

static void tell(struct pair_bench *b, const char *what, double value)
{
    if (b->setup.happened != NULL)
        b->setup.happened(b->setup.context, b->time_us, what, value);
}

static bool in_trouble(const struct pair_bench *b, enum pair_trouble t)
{
    const struct pair_plan *p = &b->setup.plan;
    if (!p->troubled[t])
        return false;
    return p->after_s[t] <= 0 ||
           (b->first_motion_us >= 0 && (double)(b->time_us - b->first_motion_us) * 1e-6 >= p->after_s[t]);
}

static void answer(void *context, const char *text)
{
    struct pair_bench *b = context;
    char line[128];
    if (in_trouble(b, PAIR_MUTE))
        return;
    const int length = snprintf(line, sizeof line, "%s\n", text);
    b->setup.from_controller(b->setup.context, line, (size_t)length);
}

static void mount(struct pair_bench *b, size_t feeder)
{
    const double hung_n = b->models[b->feeder].hung_n;
    b->feeder = feeder;
    b->models[feeder].hung_n = hung_n;
    model_mount(&b->setup.feeders[feeder], &b->models[feeder],
                seed_of(b->setup.seed, feeder, b->mounts[feeder]++));
    b->models[feeder].coils_on = false;
}

struct pair_bench *pair_bench_new(const struct pair_bench_setup *setup)
{
    struct pair_bench *b = calloc(1, sizeof *b);
    if (b == NULL)
        return NULL;
    b->setup = *setup;
    b->models = calloc(setup->feeder_count, sizeof *b->models);
    b->mounts = calloc(setup->feeder_count, sizeof *b->mounts);
    if (b->models == NULL || b->mounts == NULL) {
        pair_bench_free(b);
        return NULL;
    }
    b->first_motion_us = -1;
    mount(b, 0);
    b->per_mm = setup->plan.microsteps_per_mm;
    if (!(b->per_mm > 0))
        b->per_mm = 1 / model_feed_per_microstep_mm(&setup->feeders[0], setup->feeders[0].nip.preload_n);
    pair_controller_begin(&b->controller, (int)setup->plan.blocks, answer, b);
    return b;
}

void pair_bench_free(struct pair_bench *b)
{
    if (b == NULL)
        return;
    free(b->models);
    free(b->mounts);
    free(b);
}

/* ---- the gauge ---- */

static void write_line(struct pair_bench *b)
{
    const struct model_parameters *p = &b->setup.feeders[b->feeder];
    enum pair_unit unit = b->setup.plan.unit;
    char line[64];
    bool over;
    const int32_t counts = model_read_force(p, &b->models[b->feeder], &over);
    const double force_n = (counts - p->sensor.zero_counts) / p->sensor.gain_counts_per_n;
    if (in_trouble(b, PAIR_UNIT))
        unit = unit == PAIR_UNIT_LBF ? PAIR_UNIT_N : PAIR_UNIT_LBF;
    int length;
    if (over || in_trouble(b, PAIR_OVER_RANGE))
        length = snprintf(line, sizeof line, "OL %s\r\n", UNITS[unit].name);
    else
        length = snprintf(line, sizeof line, "%+.*f %s\r\n", UNITS[unit].decimals,
                          force_n / UNITS[unit].newtons, UNITS[unit].name);
    char *point = strchr(line, '.');
    if (in_trouble(b, PAIR_COMMA) && point != NULL)
        *point = ',';
    if (in_trouble(b, PAIR_GARBAGE)) {
        for (int i = 0; i < length; i++)
            line[i] = (char)(0x80 | ((line[i] << 2) & 0x1F));
    }
    if (!in_trouble(b, PAIR_SILENT))
        b->setup.from_gauge(b->setup.context, line, (size_t)length);
}

void pair_bench_to_gauge(struct pair_bench *b, const char *bytes, size_t length)
{
    for (size_t i = 0; b->setup.plan.poll && i < length; i++) {
        if (bytes[i] == '?')
            write_line(b);
    }
}

/* ---- the motion ---- */

/* A motor that is switched on anew holds the gear where it stands: the run begins there, unloaded. */
static void see_motor(struct pair_bench *b)
{
    struct model_state *model = &b->models[b->feeder];
    const struct model_parameters *p = &b->setup.feeders[b->feeder];
    if (b->controller.motor_on && !model->coils_on) {
        model_begin_run(p, model, 0);
        model->coils_on = true;
        b->origin_mm = b->controller.from_mm;
        const double speed_mm_s = fabs(b->controller.rate_mm_min) / 60;
        tell(b, "run", model_truth_of_run(p, model, speed_mm_s > 0 ? speed_mm_s : 1).stall_force_n);
    } else if (!b->controller.motor_on) {
        model->coils_on = false;
    }
}

static void see_motion(struct pair_bench *b)
{
    const bool moving = pair_controller_moving(&b->controller);
    if (moving && b->first_motion_us < 0)
        b->first_motion_us = b->time_us;
    if (moving != b->was_moving)
        tell(b, moving ? "moving" : "standing", pair_controller_position_mm(&b->controller));
    b->was_moving = moving;
}

void pair_bench_to_controller(struct pair_bench *b, const char *bytes, size_t length)
{
    struct line *l = &b->controller_line;
    b->controller.refuses = in_trouble(b, PAIR_ERROR);
    b->controller.slowness = in_trouble(b, PAIR_SLOW) ? 2 : 1;
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] != '\n' && bytes[i] != '\r') {
            if (l->used < PAIR_LINE_MAX)
                l->text[l->used++] = bytes[i];
            continue;
        }
        if (bytes[i] == '\r' && l->used == 0)
            continue;
        l->text[l->used] = '\0';
        l->used = 0;
        pair_controller_line(&b->controller, (double)b->time_us * 1e-6, l->text);
        see_motor(b);
        see_motion(b);
    }
}

void pair_bench_advance(struct pair_bench *b, int64_t time_us)
{
    while (b->time_us + TICK_US <= time_us) {
        struct model_state *model = &b->models[b->feeder];
        b->time_us += TICK_US;
        pair_controller_advance(&b->controller, (double)b->time_us * 1e-6);
        see_motor(b);
        see_motion(b);
        model_step(&b->setup.feeders[b->feeder], model,
                   (pair_controller_position_mm(&b->controller) - b->origin_mm) * b->per_mm, TICK_US * 1e-6);
        if (!b->setup.plan.poll && b->time_us >= b->line_due_us) {
            write_line(b);
            b->line_due_us = llround((double)++b->lines * 1e6 / b->setup.plan.rate_hz);
        }
    }
}

/* ---- hands ---- */

void pair_bench_hands(struct pair_bench *b, const char *line, char *answer_text, size_t size)
{
    struct err e;
    double force_n;
    if (strncmp(line, "hang ", 5) == 0) {
        if (number_read_double(line + 5, -HANG_MAX_N, HANG_MAX_N, "hang", "N", &force_n, &e) != ERR_OK) {
            snprintf(answer_text, size, "refused: %s", e.text);
            return;
        }
        b->models[b->feeder].hung_n = force_n;
        snprintf(answer_text, size, "hung %s", line + 5);
        return;
    }
    for (size_t i = 0; strncmp(line, "mount ", 6) == 0 && i < b->setup.feeder_count; i++) {
        if (strcmp(b->setup.feeders[i].name, line + 6) != 0)
            continue;
        mount(b, i);
        snprintf(answer_text, size, "mounted %s", line + 6);
        return;
    }
    snprintf(answer_text, size, "refused: 'hang NEWTONS' or 'mount FEEDER'");
}
