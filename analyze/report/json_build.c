#include "analyze/report/json_build.h"

#include "analyze/report/text_format.h"

#include <math.h>

void json_build_set(struct json_build *b, json_t *object, const char *key, json_t *value)
{
    if (value == NULL || json_object_set_new_nocheck(object, key, value) != 0)
        b->failed = true;
}

void json_build_append(struct json_build *b, json_t *array, json_t *value)
{
    if (value == NULL || json_array_append_new(array, value) != 0)
        b->failed = true;
}

json_t *json_build_number(double value)
{
    /* json_real refuses what is not finite; minus zero is one more way to write 0. */
    return isfinite(value) ? json_real(value == 0 ? 0.0 : value) : json_null();
}

json_t *json_build_text(const char *value)
{
    char clean[1200];
    return json_string_nocheck(text_clean(value, clean, sizeof clean));
}

json_t *json_build_count(size_t value)
{
    return json_integer((json_int_t)value);
}
