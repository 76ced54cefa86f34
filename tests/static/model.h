/* Included before every file by the analyzers of tests/static/check.sh, never by a build: what they cannot
 * see, because each of them looks at one C file at a time. err_set and err_set_at return the code that they
 * are given, so a caller that met a fault never goes on as if it had met none. */
#include "rig/base/err.h"

static inline enum err_code model_code(enum err_code given, enum err_code returned)
{
    (void)returned;
    return given;
}

#define err_set(e, code, ...) model_code(code, (err_set)(e, code, __VA_ARGS__))
#define err_set_at(e, code, file, line, column, ...)                                                         \
    model_code(code, (err_set_at)(e, code, file, line, column, __VA_ARGS__))
