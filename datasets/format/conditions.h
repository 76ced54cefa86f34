/* The conditions under which a run was made: those that decide whether two runs may be compared.
 * A condition is a number with a unit, or a word; which exist is one table, so that plan, sidecar, gate and
 * report agree. */
#ifndef DATASETS_FORMAT_CONDITIONS_H
#define DATASETS_FORMAT_CONDITIONS_H

#include "datasets/format/yaml_strict.h"
#include "rig/base/err.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum condition_id {
    CONDITION_FILAMENT_LOT,      /* word */
    CONDITION_FILAMENT_MATERIAL, /* word */
    CONDITION_FILAMENT_DIAMETER_MM,
    CONDITION_FILAMENT_HARDNESS_SHORE_D,
    CONDITION_NIP_PRELOAD_N,
    CONDITION_MOTOR, /* word: which motor */
    CONDITION_MOTOR_CURRENT_A,
    CONDITION_SUPPLY_VOLTAGE_V,
    CONDITION_AMBIENT_TEMPERATURE_C,
    CONDITION_HUMIDITY_PERCENT,
    CONDITION_FREE_LENGTH_MM,       /* filament between nip and blocked end */
    CONDITION_BLOCKED_END,          /* word: which blocked end or spring */
    CONDITION_GUIDE_TUBE,           /* word */
    CONDITION_FILAMENT_MODULUS_MPA, /* Young's modulus, for the buckling load of the free length */
    CONDITION_LOAD_CELL_SEAT,       /* word: "feeder", the cell carries the feeder, or "end", it carries what
                                       the filament meets; they differ by the friction of a guide tube */
    CONDITION_HOT_END,              /* word: hot end and nozzle */
    CONDITION_GUIDE_TUBE_BEND_DEG,  /* all bends of the tube added up; 0: no tube */
    CONDITION_BRAKE_LOAD_N,         /* what the brake of a loaded-feed test is set to */
    CONDITION_HOT_END_TEMPERATURE_C,
    CONDITION_ENCODER_SEAT, /* word: "feeder", the encoder reads the filament at the nip (so where nothing is
                               stated), or "end", past the guide tube, whose play and whose compressed
                               filament it then sees */
    CONDITION_COUNT
};

/* What the seat of the load cell, and of the encoder, may be called in a plan. */
#define CONDITION_SEAT_FEEDER "feeder"
#define CONDITION_SEAT_END    "end"

struct condition_kind {
    const char *key;    /* as in plan.yaml and runs/NNNN.json, unit included */
    const char *label;  /* for people: "nip preload" */
    const char *unit;   /* UCUM, "" for a word */
    const char *symbol; /* of the unit, for people: "°C" where UCUM writes "Cel"; "" for a word */
    bool is_number;
    double low, high; /* what can be entered */
    double tolerance; /* default: numbers further apart than this are not comparable; words must be equal */
};
extern const struct condition_kind CONDITION_KINDS[CONDITION_COUNT];

#define CONDITION_WORD_MAX 64
#define CONDITION_WORDS    8 /* how many conditions are words */

/* Plain to copy and with nothing to free: words are kept texts (kept.h), so that equal words are equal
 * pointers. */
struct conditions {
    bool stated[CONDITION_COUNT];
    double number[CONDITION_COUNT];
    const char *words[CONDITION_WORDS]; /* to be looked at with conditions_word; NULL where not stated */
};

/* The word of a condition; "" where it is not stated or a number. */
const char *conditions_word(const struct conditions *c, enum condition_id id);
/* State a word of at most CONDITION_WORD_MAX bytes (a longer one is cut), which is copied. False, and then c
 * is as it was, when there is no memory. Several threads may do so at a time. */
bool conditions_set_word(struct conditions *c, enum condition_id id, const char *word);

/* The one copy of these conditions, which nobody frees or changes: it is kept once, however many runs state
 * the same, for as long as the program runs. Equal conditions give equal pointers. NULL without memory.
 * Several threads may ask at a time. */
const struct conditions *conditions_keep(const struct conditions *c);

/* Read the entries of a YAML mapping over what c already holds (a feeder's own over the shared ones). */
enum err_code conditions_from_yaml(const struct yaml_node *mapping, struct conditions *c, struct err *e);
/* State one condition in c as somebody wrote it at a keyboard, blanks around it left out: a number in its
 * unit and within its range, else a word of 1 to CONDITION_WORD_MAX bytes of UTF-8 without control
 * characters. ERR_USAGE with a sentence that says what would do; c is then as it was. */
enum err_code conditions_from_text(struct conditions *c, enum condition_id id, const char *text,
                                   struct err *e);
/* Take over from other what it says of one condition; that it is not stated too. */
void conditions_copy_one(struct conditions *c, enum condition_id id, const struct conditions *other);
/* What c says of one condition, for people: "21.5 °C", "lot 4"; "not stated". */
void conditions_describe(const struct conditions *c, enum condition_id id, char *text, size_t size);
json_t *conditions_to_json(
    const struct conditions *c); /* new reference, NULL without memory; unstated are left out */
/* c holds afterwards what object states and nothing else. */
enum err_code conditions_from_json(const json_t *object, const char *file, struct conditions *c,
                                   struct err *e);

/* One difference: a is not comparable with b in this field. An unstated value on one side only is a
 * difference. */
struct condition_difference {
    enum condition_id id;
    char text[256]; /* "nip preload: 40 N against 55 N (tolerance 2 N)" */
};
/* Fill differences (room for CONDITION_COUNT) and return how many. tolerance: CONDITION_COUNT numbers. */
size_t conditions_compare(const struct conditions *a, const struct conditions *b, const double *tolerance,
                          struct condition_difference *differences);

/* Widen a range of conditions so that it holds other: numbers as least in low and greatest in high; a word,
 * or whether a condition is stated at all, that differs from low's goes into high. Both begin as the same. */
void conditions_widen(struct conditions *low, struct conditions *high, const struct conditions *other);

/* The condition of that key, CONDITION_COUNT when there is none. */
size_t conditions_find(const char *key);

#endif
