#include "capture/weigh_order.h"

#include "datasets/format/gravity.h"
#include "rig/base/number.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define LOAD_MAX_N 1e6 /* as in a calibration */

/* An option that may be missing: *value keeps what it has. */
static enum err_code read_option(const char *text, double low, double high, const char *what,
                                 const char *unit, double *value, struct err *e)
{
    return text == NULL ? ERR_OK : number_read_double(text, low, high, what, unit, value, e);
}

static enum err_code read_whole(const char *text, int low, int high, const char *what, const char *unit,
                                int *value, struct err *e)
{
    int64_t number = *value;
    enum err_code code = text == NULL ? ERR_OK : number_read_int64(text, low, high, what, unit, &number, e);
    *value = (int)number;
    return code;
}

/* Whether next may follow the loads so far. */
static enum err_code check_next(double next, const double *entered, size_t count, const char *unit,
                                struct err *e)
{
    for (size_t i = 0; i < count; i++) {
        if (!(entered[i] < next) && !(entered[i] > next))
            return err_set(e, ERR_USAGE,
                           "--loads: %g %s is there twice; give each load once (it is hung again in every "
                           "cycle)",
                           next, unit);
    }
    if (count > 0 && next < entered[count - 1])
        return err_set(e, ERR_USAGE,
                       "--loads: %g %s comes after %g %s; give the loads rising (they are hung falling too)",
                       next, unit, entered[count - 1], unit);
    return ERR_OK;
}

static enum err_code read_loads(const char *text, double high, struct weigh_order *o, struct err *e)
{
    double given[WEIGH_ORDER_LOADS_MAX];
    size_t count = 0;
    const char *next = text;
    while (next != NULL) {
        const char *comma = strchr(next, ',');
        char word[64];
        enum err_code code;
        int length = comma == NULL ? (int)strlen(next) : (int)(comma - next);
        if (count == WEIGH_ORDER_LOADS_MAX - 1)
            return err_set(e, ERR_USAGE, "--loads: more than %d loads", WEIGH_ORDER_LOADS_MAX - 1);
        if (length >= (int)sizeof word)
            return err_set(e, ERR_USAGE, "--loads: '%.40s...' is not a number", next);
        snprintf(word, sizeof word, "%.*s", length, next);
        code = number_read_double(word, 0, high, "--loads", o->unit, &given[count], e);
        if (code == ERR_OK)
            code = check_next(given[count], given, count, o->unit, e);
        if (code != ERR_OK)
            return code;
        count++;
        next = comma == NULL ? NULL : comma + 1;
    }
    if (count < WEIGH_ORDER_LOADS_LEAST)
        return err_set(e, ERR_USAGE,
                       "--loads: %zu are too few; a calibration needs at least %d different loads", count,
                       WEIGH_ORDER_LOADS_LEAST);
    o->load_count = 0;
    if (given[0] > 0)
        o->entered[o->load_count++] = 0;
    for (size_t i = 0; i < count; i++)
        o->entered[o->load_count++] = given[i];
    return ERR_OK;
}

static enum err_code read_gravity(const struct weigh_order_words *w, struct weigh_order *o, struct err *e)
{
    enum err_code code = ERR_OK;
    if (w->gravity != NULL && (w->latitude != NULL || w->height != NULL))
        return err_set(e, ERR_USAGE, "--gravity: state it, or --latitude and --height, but not both");
    if ((w->latitude == NULL) != (w->height == NULL))
        return err_set(e, ERR_USAGE, "%s: --latitude and --height belong together",
                       w->latitude == NULL ? "--height" : "--latitude");
    if (w->gravity != NULL) {
        o->gravity_from = WEIGH_ORDER_GRAVITY_ENTERED;
        code = number_read_double(w->gravity, 9.7, 9.9, "--gravity", "m/s2", &o->gravity_m_s2, e);
    } else if (w->latitude != NULL) {
        o->gravity_from = WEIGH_ORDER_GRAVITY_PLACE;
        code = number_read_double(w->latitude, -90, 90, "--latitude", "degrees", &o->latitude_deg, e);
        if (code == ERR_OK)
            code = number_read_double(w->height, -500, 9000, "--height", "m", &o->height_m, e);
        if (code == ERR_OK)
            code = gravity_local_m_s2(o->latitude_deg, o->height_m, &o->gravity_m_s2, e);
        o->gravity_standard_uncertainty_m_s2 = GRAVITY_ANOMALY_STANDARD_UNCERTAINTY_M_S2;
    } else {
        o->gravity_from = WEIGH_ORDER_GRAVITY_STANDARD;
        o->gravity_m_s2 = GRAVITY_STANDARD_M_S2;
        o->gravity_standard_uncertainty_m_s2 = WEIGH_ORDER_GRAVITY_ANYWHERE_M_S2;
    }
    return code;
}

static enum err_code read_unit(const struct weigh_order_words *w, struct weigh_order *o, struct err *e)
{
    static const char *const UNITS[] = {"kg", "g"};
    const char *of_mass = w->mass_unit != NULL      ? "--mass-unit"
                          : w->gravity != NULL      ? "--gravity"
                          : w->latitude != NULL     ? "--latitude"
                          : w->height != NULL       ? "--height"
                          : w->density != NULL      ? "--density"
                          : w->air_density != NULL  ? "--air-density"
                          : w->tolerance_mg != NULL ? "--tolerance-mg"
                                                    : NULL;
    o->unit = w->loads_n ? "N" : "kg";
    if (w->loads_n && of_mass != NULL)
        return err_set(e, ERR_USAGE, "%s: is about masses, but --loads-n says that the loads are newtons",
                       of_mass);
    if (w->mass_unit == NULL)
        return ERR_OK;
    for (size_t i = 0; i < sizeof UNITS / sizeof UNITS[0]; i++) {
        if (strcmp(w->mass_unit, UNITS[i]) == 0) {
            o->unit = UNITS[i];
            return ERR_OK;
        }
    }
    return err_set(e, ERR_USAGE, "--mass-unit: '%.60s' is neither kg nor g", w->mass_unit);
}

enum err_code weigh_order_read(const struct weigh_order_words *words, struct weigh_order *order,
                               struct err *e)
{
    struct weigh_order o = {.cycles = WEIGH_ORDER_CYCLES,
                            .timeout_s = WEIGH_ORDER_TIMEOUT_S,
                            .gravity_m_s2 = NAN,
                            .gravity_standard_uncertainty_m_s2 = NAN,
                            .latitude_deg = NAN,
                            .height_m = NAN,
                            .density_kg_m3 = WEIGH_ORDER_WEIGHT_KG_M3,
                            .air_density_kg_m3 = WEIGH_ORDER_AIR_KG_M3,
                            .tolerance_mg = NAN,
                            .tolerance_relative = NAN};
    double kg_per_unit;
    enum err_code code = read_unit(words, &o, e);
    if (code != ERR_OK)
        return code;
    kg_per_unit = strcmp(o.unit, "g") == 0 ? 1e-3 : 1;
    if (words->loads == NULL)
        return err_set(e, ERR_USAGE, "--loads is missing");
    if (words->tolerance_mg != NULL && words->tolerance_relative != NULL)
        return err_set(e, ERR_USAGE, "--tolerance-relative: state it, or --tolerance-mg, but not both");
    if ((code = read_gravity(words, &o, e)) != ERR_OK ||
        (code = read_whole(words->cycles, 1, WEIGH_ORDER_CYCLES_MAX, "--cycles", "", &o.cycles, e)) !=
            ERR_OK ||
        (code = read_option(words->timeout, 3, 3600, "--timeout", "s", &o.timeout_s, e)) != ERR_OK ||
        (code = read_option(words->density, 500, 25000, "--density", "kg/m3", &o.density_kg_m3, e)) !=
            ERR_OK ||
        (code = read_option(words->air_density, 0, 2, "--air-density", "kg/m3", &o.air_density_kg_m3, e)) !=
            ERR_OK ||
        (code = read_option(words->tolerance_mg, 0, 1e9, "--tolerance-mg", "mg", &o.tolerance_mg, e)) !=
            ERR_OK ||
        (code = read_option(words->tolerance_relative, 0, 1, "--tolerance-relative", "",
                            &o.tolerance_relative, e)) != ERR_OK ||
        (code = read_loads(words->loads, words->loads_n ? LOAD_MAX_N : LOAD_MAX_N / 10 / kg_per_unit, &o,
                           e)) != ERR_OK)
        return code;
    for (size_t i = 0; i < o.load_count; i++)
        o.force_n[i] = words->loads_n ? o.entered[i]
                                      : gravity_dead_weight_n(o.entered[i] * kg_per_unit, o.density_kg_m3,
                                                              o.air_density_kg_m3, o.gravity_m_s2);
    if (words->loads_n)
        o.gravity_m_s2 = o.gravity_standard_uncertainty_m_s2 = o.density_kg_m3 = o.air_density_kg_m3 = NAN;
    *order = o;
    return ERR_OK;
}

size_t weigh_order_step_count(const struct weigh_order *order)
{
    return (size_t)order->cycles * (2 * order->load_count - 1);
}

struct weigh_order_step weigh_order_step(const struct weigh_order *order, size_t i)
{
    size_t of_cycle = 2 * order->load_count - 1;
    size_t at = i % of_cycle;
    return (struct weigh_order_step){.load = at < order->load_count ? at : of_cycle - 1 - at,
                                     .up = at < order->load_count,
                                     .cycle = (int)(i / of_cycle) + 1};
}
