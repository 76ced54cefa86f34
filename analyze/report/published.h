/* A results.json that somebody published, as far as it says how its numbers were worked out. */
#ifndef ANALYZE_REPORT_PUBLISHED_H
#define ANALYZE_REPORT_PUBLISHED_H

#include "analyze/analysis.h"
#include "rig/base/err.h"

#include <jansson.h>

/* Read path into *root (a new reference, NULL on error) and put margin, accepted conditions, differences that
 * matter and motors into options, whose other members stay. motors: room for SESSION_MOTORS_MAX, which
 * options point to and which point into *root: both must stay as long as the options do. ERR_FILE for
 * anything that is no finished results.json of this schema, or that names options that no command line could
 * have given. */
enum err_code published_read(const char *path, json_t **root, struct session_options *options,
                             struct session_motor *motors, struct err *e);

#endif
