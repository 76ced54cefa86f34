/* The load cell beside its readings (model_read_force): what changes in it with time and load. */
#ifndef RIG_MODEL_LOAD_CELL_H
#define RIG_MODEL_LOAD_CELL_H

#include "rig/model/model.h"

/* Let time and drift go on by dt_s. */
void load_cell_drift(const struct model_parameters *p, struct model_state *s, double dt_s);

/* The cell takes its load, from the state's forces, and its hysteresis follows. */
void load_cell_load(const struct model_parameters *p, struct model_state *s);

#endif
