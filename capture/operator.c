#include "capture/operator.h"

#include "capture/link.h"
#include "capture/text_fill.h"
#include "rig/base/err.h"
#include "rig/base/number.h"

#include <langinfo.h>
#include <locale.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define REDRAW_US 170000
#define IDLE_MS   200

#define COLUMNS_DEFAULT 80
#define COLUMNS_LEAST   20 /* of a narrower terminal nothing can be made */
#define COLUMNS_MOST    10000
#define INDENT          2 /* of a line that goes on with the one above */

#define CAUTIONS                                                                                             \
    "CAUTION - read before the rig is armed:\n"                                                              \
    "  Moving gears pinch, and filament under load can whip: wear eye protection, keep hands clear while "   \
    "armed.\n"                                                                                               \
    "  Hot ends burn and melts fume: ventilate. A stalled motor and its driver get hot.\n"                   \
    "  Have an emergency stop within reach that cuts motor power in hardware, independent of any "           \
    "software.\n"                                                                                            \
    "  Mains wiring belongs to licensed practice under local codes.\n"                                       \
    "  The limits in the plan are a help and not a safety function.\n"

void operator_init(struct operator_view *view, bool unattended, const volatile sig_atomic_t *stop_requests)
{
    *view = (struct operator_view){
        .unattended = unattended, .live = isatty(STDERR_FILENO) == 1, .stop_requests = stop_requests};
    setlocale(LC_CTYPE, ""); /* numbers stay as they are everywhere */
    view->utf8 = strcmp(nl_langinfo(CODESET), "UTF-8") == 0;
}

/* Columns of the terminal, as far as anybody says; 0: not known, or no terminal. */
static int known_columns(const struct operator_view *view)
{
    const char *stated = getenv("COLUMNS");
    struct winsize size;
    int64_t columns;
    if (!view->live)
        return 0;
    if (stated != NULL &&
        number_read_int64(stated, COLUMNS_LEAST, COLUMNS_MOST, "COLUMNS", "", &columns, NULL) == ERR_OK)
        return (int)columns;
    if (ioctl(STDERR_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0)
        return 0;
    return size.ws_col < COLUMNS_LEAST ? COLUMNS_LEAST : size.ws_col;
}

int operator_columns(const struct operator_view *view)
{
    int columns = known_columns(view);
    if (!view->live)
        return 0;
    return (columns > 0 ? columns : COLUMNS_DEFAULT) - 1;
}

/* text on standard error, its lines broken between words where the terminal is too narrow; what follows the
 * first is set in a little. No line break behind the last one. */
static void put_wrapped(const struct operator_view *view, const char *text)
{
    text_fill(stderr, "", INDENT, known_columns(view) > 0 ? operator_columns(view) : 0, text);
}

bool operator_is_there(void)
{
    struct stat input;
    return isatty(STDIN_FILENO) == 1 ||
           (fstat(STDIN_FILENO, &input) == 0 && (S_ISFIFO(input.st_mode) || S_ISSOCK(input.st_mode)));
}

/* Take the live line away, so that a plain one can stand there. */
static void clear_live_line(struct operator_view *view)
{
    if (view->drawn_us != 0)
        fputs("\r\033[K", stderr);
    view->drawn_us = 0;
}

void operator_end(struct operator_view *view)
{
    clear_live_line(view);
}

void operator_say(struct operator_view *view, const char *format, ...)
{
    char line[1024];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    clear_live_line(view);
    put_wrapped(view, err_clean_text(line));
    fputc('\n', stderr);
}

void operator_show_cautions(struct operator_view *view)
{
    char text[] = CAUTIONS;
    char *rest;
    clear_live_line(view);
    for (char *line = strtok_r(text, "\n", &rest); line != NULL; line = strtok_r(NULL, "\n", &rest)) {
        put_wrapped(view, line);
        fputc('\n', stderr);
    }
}

/* Wait for a line to be typed; what of it does not fit is dropped. Byte by byte, because a program that
 * answers may have written more than one line already. */
static bool wait_for_line(struct operator_view *view, char *typed, size_t size, bool (*idle)(void *context),
                          void *context)
{
    size_t used = 0;
    while (*view->stop_requests == 0) {
        struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
        if (poll(&input, 1, IDLE_MS) > 0) {
            char byte;
            if (read(STDIN_FILENO, &byte, 1) != 1)
                break;
            if (byte == '\n') {
                typed[used] = 0;
                return true;
            }
            if (used < size - 1)
                typed[used++] = byte;
            continue;
        }
        if (!idle(context))
            break;
    }
    if (view->live)
        fputc('\n', stderr);
    return false;
}

/* A question, without line break where the answer is typed behind it. What was typed at a terminal before the
 * question was there to be read is no answer to it: an Enter too many must not set the next motion going. */
static void show_question(const struct operator_view *view, const char *question)
{
    if (isatty(STDIN_FILENO) == 1)
        tcflush(STDIN_FILENO, TCIFLUSH);
    put_wrapped(view, question);
    fputs(view->live ? " " : "\n", stderr);
}

bool operator_confirm(struct operator_view *view, const char *question, bool (*idle)(void *context),
                      void *context)
{
    char line[1200];
    char typed[40];
    snprintf(line, sizeof line, "%.1024s", question);
    err_clean_text(line);
    clear_live_line(view);
    if (view->unattended) {
        put_wrapped(view, line);
        fputc('\n', stderr);
        return *view->stop_requests == 0;
    }
    snprintf(line + strlen(line), sizeof line - strlen(line), " - press Enter when ready, Ctrl-C to stop:");
    for (;;) {
        show_question(view, line);
        if (!wait_for_line(view, typed, sizeof typed, idle, context))
            return false;
        if (typed[strspn(typed, " \t\r")] == 0)
            return true;
        /* Who types a word means something else than that the rig may move. */
        operator_say(view, "'%s' is not Enter alone, so nothing was done", typed);
    }
}

bool operator_ask(struct operator_view *view, const char *question, char *answer, size_t size,
                  bool (*idle)(void *context), void *context)
{
    char line[1024];
    if (view->unattended)
        return false;
    snprintf(line, sizeof line, "%.1000s", question);
    clear_live_line(view);
    snprintf(line + strlen(line), sizeof line - strlen(line), ":");
    show_question(view, err_clean_text(line));
    if (!wait_for_line(view, answer, size, idle, context))
        return false;
    answer[strcspn(answer, "\r\n")] = 0;
    err_clean_text(answer);
    return true;
}

void operator_progress(struct operator_view *view, const char *format, ...)
{
    char line[256];
    va_list arguments;
    int64_t now_us;
    struct pollfd output = {.fd = STDERR_FILENO, .events = POLLOUT};
    if (!view->live)
        return;
    /* A terminal that is held takes nothing; waiting for it would leave the rig without a word from us. */
    if (poll(&output, 1, 0) != 1 || (output.revents & POLLOUT) == 0)
        return;
    now_us = link_now_us();
    if (view->drawn_us != 0 && now_us - view->drawn_us < REDRAW_US)
        return;
    va_start(arguments, format);
    vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    err_clean_text(line);
    line[text_fill_fitting(line, operator_columns(view))] = 0;
    fprintf(stderr, "\r%s\033[K", line);
    view->drawn_us = now_us;
}
