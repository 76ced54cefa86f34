/* Feeders of a session held against what a motor's data sheet says: which motor file is whose, what each
 * drive is, and where measured and predicted part. No I/O but the reading of the motor files. */
#ifndef ANALYZE_PREDICTION_H
#define ANALYZE_PREDICTION_H

#include "analyze/analysis.h"
#include "analyze/predict.h"
#include "analyze/predict_cause.h"
#include "datasets/format/file_bytes.h"

/* A motor file as it was read. */
struct prediction_motor {
    char feeder[FEEDER_NAME_MAX + 1]; /* whose it was named to be; "": of all that no other is named for */
    char file[256];                   /* its name without the folder */
    char hash[FILE_BYTES_HASH_SIZE];
    char *text; /* the whole file; owned */
    size_t length;
    struct predict_motor motor;
};

/* One feeder by its motor. */
struct prediction {
    size_t feeder; /* index into session.feeders */
    size_t motor;  /* index into session.motors; meaningless where only one feeder is held against a motor */
    char name[FEEDER_NAME_MAX + 1];
    struct predict_drive drive;
    struct predict_measured measured[SPEED_POINTS_MAX]; /* in rising order of the speed */
    size_t measured_count;
    struct predict_verdict verdict;
    /* What was fitted to the pushes, and newtons of push for each N m of it; NULL: no curve. It belongs to
     * the session. */
    const struct torque_curve *fitted;
    double newtons_per_nm;
};

/* Read the motor files of options into session->motors. Called before the long work, so that nobody waits for
 * a refusal. ERR_FILE for a file that is missing or wrong, with its place; ERR_USAGE for two of one feeder.
 */
enum err_code prediction_read_motors(struct session *session, const struct session_options *options,
                                     struct err *e);
/* Whether each motor is some feeder's that was run: ERR_USAGE where one is not, ERR_FILE where the feeder's
 * runs have a motor of other full steps. The feeders must be named. */
enum err_code prediction_check_motors(const struct session *session, const struct session_options *options,
                                      struct err *e);
/* Fill session->predictions: one for each feeder that was run and has a motor, in the order of the feeders.
 */
enum err_code prediction_all(struct session *session, struct err *e);
/* Whether anything was measured that a prediction can be held against. */
bool prediction_any_measured(const struct session *session);
/* Let go of both. */
void prediction_forget(struct session *session);

/* The index-th feeder by one motor, without the verdict: its drive and what was measured. *run tells whether
 * it was run at all; where it was not, *p is not filled. file is for messages. ERR_FILE as above. */
enum err_code prediction_of_feeder(const struct session *session, size_t index,
                                   const struct predict_motor *motor, const char *file, struct prediction *p,
                                   bool *run, struct err *e);

/* The push force in N that the fitted torque curve stands for at its i-th point, with its 95 % band: that of
 * the torque without the drive diameter, which a force does not feel. Only where p->fitted is not NULL. */
struct quantity prediction_fitted_n(const struct prediction *p, size_t i);

#endif
