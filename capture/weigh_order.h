/* What is to be weighed: from the operator's words to forces and the order in which they are hung. Pure. */
#ifndef CAPTURE_WEIGH_ORDER_H
#define CAPTURE_WEIGH_ORDER_H

#include "rig/base/err.h"

#include <stdbool.h>
#include <stddef.h>

#define WEIGH_ORDER_LOADS_MAX    64
#define WEIGH_ORDER_LOADS_LEAST  3 /* different ones, to tell a straight line from a curve */
#define WEIGH_ORDER_CYCLES       3
#define WEIGH_ORDER_CYCLES_MAX   100
#define WEIGH_ORDER_TIMEOUT_S    30  /* rig time */
#define WEIGH_ORDER_AIR_KG_M3    1.2 /* by which conventional mass is defined; 1.0 at 1500 m above the sea */
#define WEIGH_ORDER_WEIGHT_KG_M3 7850.0 /* steel */
/* Of standard gravity, where the place is not known: normal gravity at sea level is 9.7803 m/s2 at the
 * equator and 9.8322 at the poles; half of that way over the square root of three. */
#define WEIGH_ORDER_GRAVITY_ANYWHERE_M_S2 0.015

/* What the operator said, word by word; NULL: nothing. */
struct weigh_order_words {
    const char *loads; /* numbers with commas between them, rising */
    bool loads_n;      /* they are newtons and not masses */
    const char *mass_unit;
    const char *cycles, *timeout;
    const char *latitude, *height, *gravity;
    const char *density, *air_density;
    const char *tolerance_mg, *tolerance_relative;
};

enum weigh_order_gravity {
    WEIGH_ORDER_GRAVITY_STANDARD,
    WEIGH_ORDER_GRAVITY_PLACE,
    WEIGH_ORDER_GRAVITY_ENTERED
};

/* The weighing that they ask for. NAN where a number was not stated and has no default. */
struct weigh_order {
    size_t load_count;                     /* with no load, which always comes first */
    double entered[WEIGH_ORDER_LOADS_MAX]; /* in unit; 0 first */
    double force_n[WEIGH_ORDER_LOADS_MAX];
    const char *unit; /* "kg", "g" or "N" */
    int cycles;
    double timeout_s;
    enum weigh_order_gravity gravity_from;
    double gravity_m_s2, gravity_standard_uncertainty_m_s2;
    double latitude_deg, height_m;
    double density_kg_m3, air_density_kg_m3;
    double tolerance_mg, tolerance_relative;
};

/* ERR_USAGE names the option and what is wrong with it: two loads equal, loads that do not rise, fewer than
 * three, options that do not go together, a number out of range. */
enum err_code weigh_order_read(const struct weigh_order_words *words, struct weigh_order *order,
                               struct err *e);

/* One reading of the sequence, i from 0 to weigh_order_step_count - 1. */
struct weigh_order_step {
    size_t load; /* index into the order's loads */
    bool up;
    int cycle; /* from 1 */
};
size_t weigh_order_step_count(const struct weigh_order *order);
struct weigh_order_step weigh_order_step(const struct weigh_order *order, size_t i);

#endif
