/* The parameters of a simulated feeder by name: one table, used by what reads feeder files and by what writes
 * the truth. Sections and keys are the members of struct model_parameters. */
#ifndef RIG_SIMULATOR_FEEDER_FIELDS_H
#define RIG_SIMULATOR_FEEDER_FIELDS_H

#include "rig/model/model.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum feeder_field_kind { FEEDER_DOUBLE, FEEDER_INT, FEEDER_INT32, FEEDER_BOOL, FEEDER_END };

struct feeder_field {
    const char *section;
    const char *key;
    enum feeder_field_kind kind;
    size_t offset; /* in struct model_parameters */
    double low;    /* what a file may hold at most; model_check knows which values make sense together */
    double high;
    const char *unit;
};

/* Fields of one section stand together. */
extern const struct feeder_field feeder_fields[];
extern const size_t feeder_field_count;

double *feeder_field_double(struct model_parameters *p, const struct feeder_field *f);
int *feeder_field_int(struct model_parameters *p, const struct feeder_field *f);
int32_t *feeder_field_int32(struct model_parameters *p, const struct feeder_field *f);
bool *feeder_field_bool(struct model_parameters *p, const struct feeder_field *f);
/* A word of RIG_END_NAMES. */
enum model_end *feeder_field_end(struct model_parameters *p, const struct feeder_field *f);

#endif
