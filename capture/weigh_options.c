#include "capture/weigh_options.h"

#include "capture/weigh_order.h"

#include <stddef.h>

enum {
    FIRST = 1000, /* clear of the keys of other parsers */
    LOADS = FIRST,
    MASS_UNIT,
    CYCLES,
    LATITUDE,
    HEIGHT,
    GRAVITY,
    DENSITY,
    AIR_DENSITY,
    TOLERANCE_MG,
    TOLERANCE_RELATIVE,
    TIMEOUT,
    END,
    LOADS_N = END /* the one that takes no word */
};

static const size_t PLACES[END - FIRST] = {
    [LOADS - FIRST] = offsetof(struct weigh_order_words, loads),
    [MASS_UNIT - FIRST] = offsetof(struct weigh_order_words, mass_unit),
    [CYCLES - FIRST] = offsetof(struct weigh_order_words, cycles),
    [LATITUDE - FIRST] = offsetof(struct weigh_order_words, latitude),
    [HEIGHT - FIRST] = offsetof(struct weigh_order_words, height),
    [GRAVITY - FIRST] = offsetof(struct weigh_order_words, gravity),
    [DENSITY - FIRST] = offsetof(struct weigh_order_words, density),
    [AIR_DENSITY - FIRST] = offsetof(struct weigh_order_words, air_density),
    [TOLERANCE_MG - FIRST] = offsetof(struct weigh_order_words, tolerance_mg),
    [TOLERANCE_RELATIVE - FIRST] = offsetof(struct weigh_order_words, tolerance_relative),
    [TIMEOUT - FIRST] = offsetof(struct weigh_order_words, timeout),
};

static const struct argp_option OPTIONS[] = {
    {"loads", LOADS, "LIST", 0, "The weights to hang, rising, with commas between them: 0.5,1,2,5", 0},
    {"mass-unit", MASS_UNIT, "kg|g", 0,
     "Unit of the weights, which are conventional masses; the default is kg", 0},
    {"loads-n", LOADS_N, NULL, 0, "The weights are stated as forces in newtons, all corrections made", 0},
    {"cycles", CYCLES, "N", 0, "How often the weights are hung, rising and falling; the default is 3", 0},
    {"latitude", LATITUDE, "DEGREES", 0,
     "Where the rig stands, in degrees, north positive: for local gravity", 0},
    {"height", HEIGHT, "M", 0, "How high above the sea the rig stands, in m: goes with --latitude", 0},
    {"gravity", GRAVITY, "G", 0, "Local gravity in m/s2; the default is standard gravity, an estimate", 0},
    {"density", DENSITY, "KG_M3", 0,
     "Density of the weights in kg/m3; the default is 7850; matters only in other air", 0},
    {"air-density", AIR_DENSITY, "KG_M3", 0, "Density of the air in kg/m3; the default is 1.2", 0},
    {"tolerance-mg", TOLERANCE_MG, "MG", 0, "Tolerance of each load, in mg", 0},
    {"tolerance-relative", TOLERANCE_RELATIVE, "SHARE", 0, "Tolerance of each load, as a share of it: 0.0005",
     0},
    {"timeout", TIMEOUT, "SECONDS", 0, "How long to wait for a steady reading; the default is 30", 0},
    {0}};

static error_t take(int key, char *argument, struct argp_state *state)
{
    struct weigh_order_words *words = state->input;
    if (key == LOADS_N)
        words->loads_n = true;
    else if (key >= FIRST && key < END)
        *(const char **)((char *)words + PLACES[key - FIRST]) = argument;
    else
        return ARGP_ERR_UNKNOWN;
    return 0;
}

const struct argp weigh_options_argp = {OPTIONS, take, NULL, NULL, NULL, NULL, NULL};
