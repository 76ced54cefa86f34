/* MOTOR.yaml: a motor's data sheet, its driver's setting and the drive, as predict reads it. */
#ifndef ANALYZE_MOTOR_FILE_H
#define ANALYZE_MOTOR_FILE_H

#include "analyze/predict.h"
#include "rig/base/err.h"

/* ERR_FILE with line and column for anything that is missing, unknown, out of range or no number. Reduction
 * and drive diameter may be left out: a series states its own. */
enum err_code motor_file_read(const char *path, struct predict_motor *motor, struct err *e);
/* The same from memory; name stands for the file in messages. */
enum err_code motor_file_parse(const char *text, size_t length, const char *name, struct predict_motor *motor,
                               struct err *e);
/* Longest motor file. */
#define MOTOR_FILE_BYTES_MAX 65536

#endif
