#include "analyze/report/run_settings.h"

const struct run_setting_kind RUN_SETTING_KINDS[RUN_SETTINGS] = {
    {"nip_preload_n", "Nip preload", "N", CONDITION_NIP_PRELOAD_N},
    {"brake_load_n", "Brake load", "N", CONDITION_BRAKE_LOAD_N},
    {"hot_end_temperature_c", "Hot end", "°C", CONDITION_HOT_END_TEMPERATURE_C},
    {"guide_tube_bend_deg", "Bend of the tube", "°", CONDITION_GUIDE_TUBE_BEND_DEG},
    {"rate_mm3_s", "Rate", "mm3/s", CONDITION_COUNT},
};

bool run_settings_number(const struct run_record *r, int setting, double *value)
{
    enum condition_id id = RUN_SETTING_KINDS[setting].condition;
    if (id == CONDITION_COUNT) {
        *value = r->rate_mm3_s;
        return r->rate_mm3_s > 0;
    }
    *value = run_record_conditions(r)->number[id];
    return run_record_conditions(r)->stated[id];
}

bool run_settings_varied(const struct run_record *r, int setting)
{
    enum condition_id id = RUN_SETTING_KINDS[setting].condition;
    double value;
    return run_settings_number(r, setting, &value) && (id == CONDITION_COUNT || plan_test_sets(r->test, id));
}
