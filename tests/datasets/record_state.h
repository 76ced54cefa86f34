/* For tests that state conditions of a record one by one. */
#ifndef TESTS_DATASETS_RECORD_STATE_H
#define TESTS_DATASETS_RECORD_STATE_H

#include "datasets/format/run_record.h"

static inline void record_put(struct run_record *record, enum condition_id id, bool stated, double number)
{
    struct conditions c = *run_record_conditions(record);
    c.stated[id] = stated;
    c.number[id] = number;
    record->conditions = conditions_keep(&c);
}

static inline void record_state(struct run_record *record, enum condition_id id, double number)
{
    record_put(record, id, true, number);
}

static inline void record_unstate(struct run_record *record, enum condition_id id)
{
    record_put(record, id, false, 0);
}

#endif
