/* Weighing: dead weights hung on the load cell, rising and then falling, several times over, each steady
 * reading recorded raw. Nothing moves: the motor is cut all the while. What the readings mean is worked out
 * elsewhere.
 *
 * READINGS.csv has the columns load_n,reading_counts,direction,cycle: the force of the weight (N), the mean
 * of the converter's counts over one steady window, "up" or "down" (the greatest load belongs to up), and the
 * cycle from 1. Each cycle begins and ends with nothing hung. READINGS.json beside it tells how: gravity,
 * buoyancy, tolerance, what counted as steady, scatter and time of each reading, and which numbers are the
 * operator's. */
#ifndef CAPTURE_WEIGH_H
#define CAPTURE_WEIGH_H

#include "capture/link.h"
#include "capture/operator.h"
#include "capture/weigh_order.h"
#include "rig/base/err.h"

#include <stddef.h>

#define WEIGH_HEADER  "load_n,reading_counts,direction,cycle"
#define WEIGH_RATE_HZ 1000 /* or the rig's greatest, if that is less */

struct weigh_request {
    const char *port;
    int baud;
    enum link_way way;
    const char *out;    /* READINGS.csv */
    const char *feeder; /* told to the rig as what is mounted; "" when it does not matter */
    const struct weigh_order *order;
};

struct weigh_outcome {
    size_t planned, recorded; /* readings */
};

/* Carry it out, asking the operator for each weight; unattended, each load is awaited instead: the reading
 * must have left the one before and be steady again. ERR_USAGE: a file is there already (nothing is touched);
 * ERR_NO_ANSWER: stopped by the operator, or no steady reading in time; ERR_DEVICE, ERR_BYTES: port or rig,
 * also a reading at the end of the converter's range. Readings taken before are kept whatever happens.
 * *outcome is always filled. */
enum err_code weigh_carry_out(const struct weigh_request *request, struct operator_view *view,
                              struct weigh_outcome *outcome, struct err *e);

#endif
