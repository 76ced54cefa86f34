/* The rig client: commands to a rig and their acknowledgements, keep-alives, and the reports that come back.
 *
 * Waiting is always in outside-world time; limits that belong to the rig (watchdog, reply times) are in rig
 * time and are shortened by the time scale a simulated rig tells. Nothing here decides about a run. */
#ifndef CAPTURE_RIG_CLIENT_H
#define CAPTURE_RIG_CLIENT_H

#include "capture/link.h"
#include "capture/rig_receiver.h"
#include "rig/base/err.h"
#include "rig/wire/message.h"

#include <stdbool.h>
#include <stdint.h>

struct rig_client;

/* link stays the caller's and must outlive the client. */
enum err_code rig_client_new(struct link *link, struct rig_client **client, struct err *e);
void rig_client_free(struct rig_client *client); /* NULL is fine; sends nothing */

/* Who gets every report, in the order in which they came, while any call below waits. NULL: nobody. */
void rig_client_set_handler(struct rig_client *client, rig_report_handler *handle, void *context);

/* Ask who is there, up to three times. Frames left over from before are dropped. ERR_DEVICE when nobody
 * answers or the rig speaks another major version; ERR_BYTES when bytes come but no frame among them can be
 * understood. */
enum err_code rig_client_identify(struct rig_client *client, struct wire_identity *identity, struct err *e);

/* Commands; each waits for its acknowledgement. ERR_DEVICE with the rig's reason when it refuses, when it
 * does not answer in time (500 ms of rig time, at least one second), has restarted or is gone. Each is tried
 * three times within that, since its frame or its acknowledgement may be lost on the line. An arm that is
 * refused at a later try because the rig is armed has been obeyed at an earlier one: the rig must be disarmed
 * before. A move that was obeyed must not be sent again: begun (NULL: not known) is asked before each further
 * try, and true counts as the acknowledgement. */
enum err_code rig_client_configure(struct rig_client *client, const struct wire_configure *m, struct err *e);
enum err_code rig_client_arm(struct rig_client *client, const struct wire_arm *m, struct err *e);
enum err_code rig_client_move(struct rig_client *client, const struct wire_move *m,
                              bool (*begun)(void *context), void *context, struct err *e);
enum err_code rig_client_stop(struct rig_client *client, struct err *e);
enum err_code rig_client_cut(struct rig_client *client, struct err *e);

/* Send keep-alives from now on, or no more. They go out during every call that waits. */
void rig_client_keep_alive(struct rig_client *client, bool on);

/* Handle what arrives within timeout_us; returns as soon as something did, when a keep-alive was sent, or
 * when a signal came. ERR_DEVICE when the port is gone. */
enum err_code rig_client_pump(struct rig_client *client, int64_t timeout_us, struct err *e);

/* Rig seconds in a second of the outside world, as the rig told; 1 on a real one. */
double rig_client_time_scale(const struct rig_client *client);

/* Outside-world microseconds that rig_us on the rig's clock take. */
int64_t rig_client_outside_us(const struct rig_client *client, int64_t rig_us);

/* Outside-world microseconds since the last frame that was understood (or since the client was made). */
int64_t rig_client_silence_us(const struct rig_client *client);

/* Frame counts since the client was made or the counts were last reset. */
struct rig_counts rig_client_counts(const struct rig_client *client);
void rig_client_reset_counts(struct rig_client *client);

const char *rig_client_name(const struct rig_client *client); /* of the port, for messages */

#endif
