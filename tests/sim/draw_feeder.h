/* Feeders drawn at random for the studies: every parameter that matters differs from one to the next. */
#ifndef TESTS_SIM_DRAW_FEEDER_H
#define TESTS_SIM_DRAW_FEEDER_H

#include "rig/model/model.h"

#include <stdbool.h>

enum draw_kind { DRAW_MOTOR, DRAW_SETTLE, DRAW_TEAR };

double draw_between(struct model_random *r, double low, double high);

/* A feeder of that kind: the weaker of motor and grip is at least 12 % below the other, so that the case is
 * clear. onset_before_stall: for a motor-limited one, gross slip begins before the motor gives way. */
struct model_parameters draw_feeder(struct model_random *r, enum draw_kind kind, bool onset_before_stall);

#endif
