#include "capture/watch_terminal.h"

#include "capture/watch_stream.h"

#include <errno.h>
#include <fcntl.h>
#include <langinfo.h>
#include <locale.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#define COLUMNS_DEFAULT 80
#define ROWS_DEFAULT    24
#define CLOSE_MS        200 /* how long a terminal that is held gets to take the last picture */

#define HIDE_CURSOR "\033[?25l"
#define SHOW_CURSOR "\033[?25h"

struct watch_terminal {
    struct watch_stream
        stream; /* a description of the terminal of our own, so that not to wait is our affair */
    bool taken;
    size_t drawn;      /* lines of the picture above and at the cursor */
    int columns, rows; /* when it was drawn */
    struct sigaction suspend_before;
};

/* What signal handlers use. */
static volatile sig_atomic_t suspend_asked;
static volatile sig_atomic_t keys_fd = -1; /* whose settings are to be put back */
static volatile sig_atomic_t picture_fd = -1;
static volatile sig_atomic_t picture_drawn; /* the cursor is at its last line */
static struct termios settings_before;

/* Signals that end a program and are not requests to stop, which the program catches anyway. */
static const int ENDS[] = {SIGSEGV, SIGBUS,  SIGILL,    SIGFPE,  SIGABRT, SIGSYS,  SIGTRAP,
                           SIGUSR1, SIGUSR2, SIGVTALRM, SIGALRM, SIGPROF, SIGXCPU, SIGXFSZ};
#define END_COUNT (sizeof ENDS / sizeof ENDS[0])
static struct sigaction ends_before[END_COUNT];

static void ask_suspend(int signal_number)
{
    (void)signal_number;
    suspend_asked = 1;
}

/* Only what is safe in a signal handler. */
static void put_back(void)
{
    static const char SHOW[] = "\r\n" SHOW_CURSOR;
    if (picture_fd >= 0 && picture_drawn) {
        ssize_t written = write(picture_fd, SHOW, sizeof SHOW - 1);
        (void)written; /* a terminal that takes nothing cannot be helped */
    }
    if (keys_fd >= 0)
        tcsetattr(keys_fd, TCSADRAIN, &settings_before);
}

static void end_by(int signal_number)
{
    put_back();
    for (size_t i = 0; i < END_COUNT; i++) {
        if (ENDS[i] == signal_number)
            sigaction(signal_number, &ends_before[i], NULL);
    }
    raise(signal_number);
}

bool watch_terminal_is_there(void)
{
    return isatty(STDOUT_FILENO) == 1;
}

bool watch_terminal_shows_blocks(void)
{
    setlocale(LC_CTYPE, ""); /* numbers stay as they are everywhere */
    return strcmp(nl_langinfo(CODESET), "UTF-8") == 0;
}

/* Stops us while we are in the background, and goes on when we are not. */
static void change_settings(const struct termios *settings)
{
    while (tcsetattr(STDIN_FILENO, TCSADRAIN, settings) < 0 && errno == EINTR)
        continue;
}

static void listen_for_keys(void)
{
    struct termios settings = settings_before;
    settings.c_lflag &= ~(tcflag_t)(ICANON | ECHO);
    settings.c_cc[VMIN] = 0;
    settings.c_cc[VTIME] = 0;
    change_settings(&settings);
}

static void take(struct watch_terminal *t)
{
    if (t->taken)
        return;
    if (isatty(STDIN_FILENO) == 1 && tcgetattr(STDIN_FILENO, &settings_before) == 0) {
        keys_fd = STDIN_FILENO;
        listen_for_keys();
    }
    picture_fd = t->stream.fd;
    picture_drawn = 0;
    t->taken = true;
    t->drawn = 0;
}

static void leave(struct watch_terminal *t)
{
    struct pollfd output = {.fd = t->stream.fd, .events = POLLOUT};
    if (!t->taken)
        return;
    while (!watch_stream_ready(&t->stream) && !t->stream.gone && poll(&output, 1, CLOSE_MS) == 1)
        continue;
    put_back();
    keys_fd = picture_fd = -1;
    t->taken = false;
}

enum err_code watch_terminal_open(struct watch_terminal **terminal, struct err *e)
{
    struct sigaction suspend = {.sa_handler = ask_suspend};
    struct sigaction end = {.sa_handler = end_by};
    struct watch_terminal *t = calloc(1, sizeof *t);
    const char *name = ttyname(STDOUT_FILENO);
    int fd = name != NULL ? open(name, O_WRONLY | O_NOCTTY | O_NONBLOCK | O_CLOEXEC) : -1;
    *terminal = NULL;
    if (t == NULL) {
        if (fd >= 0)
            close(fd);
        return err_set(e, ERR_MEMORY, "out of memory");
    }
    if (fd < 0)
        fd = fcntl(STDOUT_FILENO, F_DUPFD_CLOEXEC,
                   0); /* somebody else's terminal; we may have to wait for it */
    if (fd < 0) {
        free(t);
        return err_set(e, ERR_SYSTEM, "cannot use the terminal: %s", strerror(errno));
    }
    watch_stream_init(&t->stream, fd);
    sigfillset(&end.sa_mask);
    for (size_t i = 0; i < END_COUNT; i++)
        sigaction(ENDS[i], &end, &ends_before[i]);
    sigaction(SIGTSTP, &suspend, &t->suspend_before);
    take(t);
    *terminal = t;
    return ERR_OK;
}

void watch_terminal_close(struct watch_terminal *t)
{
    if (t == NULL)
        return;
    leave(t);
    for (size_t i = 0; i < END_COUNT; i++)
        sigaction(ENDS[i], &ends_before[i], NULL);
    sigaction(SIGTSTP, &t->suspend_before, NULL);
    close(t->stream.fd);
    free(t);
}

bool watch_terminal_suspend_asked(const struct watch_terminal *t)
{
    (void)t;
    return suspend_asked != 0;
}

void watch_terminal_suspend(struct watch_terminal *t)
{
    struct sigaction handler;
    struct sigaction stop = {.sa_handler = SIG_DFL};
    leave(t);
    sigaction(SIGTSTP, &stop, &handler);
    raise(SIGTSTP); /* returns once we are told to go on */
    sigaction(SIGTSTP, &handler, NULL);
    suspend_asked = 0;
    take(t);
}

void watch_terminal_retake(struct watch_terminal *t)
{
    /* A shell takes the settings for its own while we are stopped; ours are those from before. */
    if (t->taken && keys_fd >= 0)
        listen_for_keys();
    t->drawn = 0;
}

bool watch_terminal_has_keys(const struct watch_terminal *t)
{
    (void)t;
    return keys_fd >= 0;
}

int watch_terminal_key(struct watch_terminal *t)
{
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    unsigned char key;
    if (!watch_terminal_has_keys(t) || poll(&input, 1, 0) != 1 || read(STDIN_FILENO, &key, 1) != 1)
        return 0;
    return key;
}

void watch_terminal_size(const struct watch_terminal *t, int *columns, int *rows)
{
    struct winsize size = {0};
    bool known = ioctl(t->stream.fd, TIOCGWINSZ, &size) == 0;
    *columns = (known && size.ws_col > 0 ? size.ws_col : COLUMNS_DEFAULT) - 1;
    *rows = known && size.ws_row > 0 ? size.ws_row : ROWS_DEFAULT;
}

bool watch_terminal_draw(struct watch_terminal *t, const char *lines, size_t stride, size_t count)
{
    struct watch_stream *s = &t->stream;
    int columns, rows;
    if (!watch_stream_ready(s))
        return !s->gone;
    watch_terminal_size(t, &columns, &rows);
    watch_stream_begin(s);
    watch_stream_add(s, HIDE_CURSOR);
    if (t->drawn > 0 && (columns != t->columns || rows != t->rows))
        watch_stream_add(s, "\033[H\033[2J"); /* what stood there has moved, nobody knows where */
    else if (t->drawn > 1)
        watch_stream_add(s, "\r\033[%zuA", t->drawn - 1);
    else
        watch_stream_add(s, "\r");
    for (size_t i = 0; i < count; i++)
        watch_stream_add(s, "%s%s\033[K", i > 0 ? "\r\n" : "", lines + i * stride);
    watch_stream_add(s, "\033[J");
    t->drawn = count;
    picture_drawn = 1;
    t->columns = columns;
    t->rows = rows;
    watch_stream_ready(s);
    return !s->gone;
}
