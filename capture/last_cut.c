#include "capture/last_cut.h"

#include "rig/wire/frame.h"
#include "rig/wire/message.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <unistd.h>

static const int SIGNALS[] = {SIGSEGV, SIGBUS, SIGILL, SIGFPE, SIGABRT};
#define SIGNAL_COUNT (sizeof SIGNALS / sizeof SIGNALS[0])

static struct sigaction before[SIGNAL_COUNT];
static uint8_t frame[64];
static size_t frame_bytes;
static volatile sig_atomic_t descriptor = -1;

/* Only what is safe in a signal handler. Afterwards whoever handled the signal before gets it, once this one
 * has returned. */
static void say_cut(int signal_number)
{
    if (descriptor >= 0) {
        ssize_t written = write(descriptor, frame, frame_bytes);
        (void)written; /* nothing is left to be done about it */
    }
    for (size_t i = 0; i < SIGNAL_COUNT; i++) {
        if (SIGNALS[i] == signal_number)
            sigaction(signal_number, &before[i], NULL);
    }
    raise(signal_number);
}

void last_cut_for(const struct link *link)
{
    struct sigaction action = {.sa_handler = say_cut};
    sigfillset(&action.sa_mask);
    if (link == NULL) {
        for (size_t i = 0; i < SIGNAL_COUNT && descriptor >= 0; i++)
            sigaction(SIGNALS[i], &before[i], NULL);
        descriptor = -1;
        return;
    }
    /* A delimiter in front ends what may have been half sent. A rig asks for no order of sequence numbers. */
    frame[0] = 0;
    frame_bytes = 1 + wire_frame_encode(WIRE_CUT, UINT16_MAX, NULL, 0, frame + 1);
    for (size_t i = 0; i < SIGNAL_COUNT && descriptor < 0; i++)
        sigaction(SIGNALS[i], &action, &before[i]);
    descriptor = link_descriptor(link);
}
