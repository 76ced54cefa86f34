#include "capture/watch_plot.h"

#include "capture/watch_stream.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define ASK_MS   5000 /* how long gnuplot may take to tell what it can do */
#define CLOSE_MS 500  /* and to end */

/* In the order in which they are preferred. */
static const char *const WINDOWS[] = {"qt", "wxt", "x11"};
#define WINDOW_COUNT (sizeof WINDOWS / sizeof WINDOWS[0])

struct watch_plot {
    pid_t pid;
    int complaints_fd; /* its standard error, read without waiting */
    char complaints[1024];
    struct watch_stream stream;
};

static enum err_code no_gnuplot(int error, struct err *e)
{
    if (error == ENOENT)
        return err_set(e, ERR_SYSTEM,
                       "--plot needs gnuplot, and there is none on the path; install it or leave out --plot");
    return err_set(e, ERR_SYSTEM, "cannot start gnuplot: %s", strerror(error));
}

/* Start gnuplot without the user's settings, in a process group of its own so that Ctrl-C and Ctrl-Z are not
 * meant for it. Its standard input is input_fd (/dev/null when negative), its standard error error_fd. */
static int start(const char *const *arguments, int input_fd, int error_fd, pid_t *pid)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t how;
    sigset_t usual;
    int error;
    posix_spawn_file_actions_init(&files);
    posix_spawnattr_init(&how);
    if (input_fd >= 0)
        posix_spawn_file_actions_adddup2(&files, input_fd, STDIN_FILENO);
    else
        posix_spawn_file_actions_addopen(&files, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    posix_spawn_file_actions_adddup2(&files, error_fd, STDERR_FILENO);
    sigemptyset(&usual);
    sigaddset(&usual, SIGPIPE);
    posix_spawnattr_setsigdefault(&how, &usual);
    posix_spawnattr_setpgroup(&how, 0);
    posix_spawnattr_setflags(&how, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGDEF);
    error = posix_spawnp(pid, "gnuplot", &files, &how, (char *const *)arguments, environ);
    posix_spawn_file_actions_destroy(&files);
    posix_spawnattr_destroy(&how);
    return error;
}

/* Read what comes within timeout_ms, until the end of it if until_end. Zero-terminated. */
static void read_text(int fd, int timeout_ms, bool until_end, char *text, size_t size)
{
    size_t used = strlen(text);
    struct pollfd input = {.fd = fd, .events = POLLIN};
    while (poll(&input, 1, timeout_ms) == 1) {
        char rest[256]; /* what does not fit is read all the same */
        bool fits = used + 1 < size;
        ssize_t got = fits ? read(fd, text + used, size - 1 - used) : read(fd, rest, sizeof rest);
        if (got <= 0)
            break;
        if (fits)
            used += (size_t)got;
        text[used] = 0;
        if (!until_end)
            timeout_ms = 0;
    }
}

static bool has_word(const char *text, const char *word)
{
    size_t length = strlen(word);
    for (const char *at = strstr(text, word); at != NULL; at = strstr(at + 1, word)) {
        if ((at == text || at[-1] == ' ' || at[-1] == '\n') &&
            (at[length] == ' ' || at[length] == '\n' || at[length] == 0))
            return true;
    }
    return false;
}

/* The first terminal type for windows that this gnuplot has. */
static enum err_code choose_window(const char **window, struct err *e)
{
    static const char *const ASK[] = {"gnuplot", "-d", "-e", "print GPVAL_TERMINALS", NULL};
    char names[4096] = "";
    int ends[2];
    pid_t pid;
    int error;
    *window = NULL;
    if (pipe2(ends, O_CLOEXEC) < 0)
        return err_set(e, ERR_SYSTEM, "cannot make a pipe: %s", strerror(errno));
    error = start(ASK, -1, ends[1], &pid);
    close(ends[1]);
    if (error == 0) {
        read_text(ends[0], ASK_MS, true, names, sizeof names);
        kill(pid, SIGKILL); /* it has ended, unless it hangs */
        waitpid(pid, NULL, 0);
    }
    close(ends[0]);
    if (error != 0)
        return no_gnuplot(error, e);
    for (size_t i = 0; i < WINDOW_COUNT && *window == NULL; i++) {
        if (has_word(names, WINDOWS[i]))
            *window = WINDOWS[i];
    }
    if (*window == NULL)
        return err_set(e, ERR_SYSTEM,
                       "this gnuplot cannot open windows (no terminal type qt, wxt or x11); install one that "
                       "can or leave out --plot");
    return ERR_OK;
}

static bool is_set(const char *name)
{
    const char *value = getenv(name);
    return value != NULL && value[0] != 0;
}

static enum err_code begin(struct watch_plot *p, const char *window, bool in_newtons, struct err *e)
{
    static const char *const RUN[] = {"gnuplot", "-d", NULL};
    int input[2] = {-1, -1}, complaints[2] = {-1, -1};
    int error;
    if (pipe2(input, O_CLOEXEC) < 0 || pipe2(complaints, O_CLOEXEC) < 0 ||
        fcntl(input[1], F_SETFL, O_NONBLOCK) < 0) {
        error = errno;
    } else {
        error = start(RUN, input[0], complaints[1], &p->pid);
    }
    if (input[0] >= 0)
        close(input[0]);
    if (complaints[1] >= 0)
        close(complaints[1]);
    p->complaints_fd = complaints[0];
    watch_stream_init(&p->stream, input[1]);
    if (error != 0) {
        p->pid = 0;
        return no_gnuplot(error, e);
    }
    watch_stream_begin(&p->stream);
    watch_stream_add(&p->stream,
                     "set terminal %s noraise noenhanced\n"
                     "set xlabel 'time before now, s'\n"
                     "set ylabel 'push force, %s'\n"
                     "set xrange [-60:0]\n"
                     "set grid\n"
                     "unset key\n",
                     window, in_newtons ? "N" : "counts");
    return ERR_OK;
}

enum err_code watch_plot_open(bool in_newtons, struct watch_plot **plot, struct err *e)
{
    struct watch_plot *p = NULL;
    const char *window;
    enum err_code code;
    *plot = NULL;
    if (!is_set("DISPLAY") && !is_set("WAYLAND_DISPLAY"))
        return err_set(e, ERR_SYSTEM,
                       "--plot needs a display, and neither DISPLAY nor WAYLAND_DISPLAY is set; over ssh use "
                       "ssh -X, or leave out --plot");
    if ((code = choose_window(&window, e)) != ERR_OK)
        return code;
    p = calloc(1, sizeof *p);
    if (p == NULL)
        return err_set(e, ERR_MEMORY, "out of memory");
    code = begin(p, window, in_newtons, e);
    if (code != ERR_OK) {
        watch_plot_close(p);
        return code;
    }
    *plot = p;
    return ERR_OK;
}

void watch_plot_close(struct watch_plot *p)
{
    if (p == NULL)
        return;
    if (p->stream.fd >= 0)
        close(p->stream.fd); /* the end of its input is the end of gnuplot */
    if (p->pid > 0) {
        struct pollfd end = {.fd = p->complaints_fd, .events = POLLIN};
        char rest[256];
        /* Its standard error closes when it ends. */
        while (poll(&end, 1, CLOSE_MS) == 1 && read(p->complaints_fd, rest, sizeof rest) > 0)
            continue;
        kill(-p->pid, SIGTERM); /* with the helper that some windows have */
        kill(p->pid, SIGKILL);
        waitpid(p->pid, NULL, 0);
    }
    if (p->complaints_fd >= 0)
        close(p->complaints_fd);
    free(p);
}

/* A line of complaints that speaks of the display is the end; others are warnings of libraries. */
static enum err_code check(struct watch_plot *p, struct err *e)
{
    read_text(p->complaints_fd, 0, false, p->complaints, sizeof p->complaints);
    for (char *line = p->complaints, *end; (end = strchr(line, '\n')) != NULL; line = end + 1) {
        *end = 0;
        if (strcasestr(line, "display") != NULL)
            return err_set(e, ERR_SYSTEM, "gnuplot has no window: %.200s", line);
        *end = '\n';
    }
    if (p->stream.gone)
        return err_set(e, ERR_SYSTEM, "gnuplot has ended, and with it the window of --plot");
    if (strlen(p->complaints) == sizeof p->complaints - 1)
        p->complaints[0] = 0;
    return ERR_OK;
}

enum err_code watch_plot_draw(struct watch_plot *p, const double *forces, size_t count, double step_s,
                              struct err *e)
{
    struct watch_stream *s = &p->stream;
    bool any = false;
    if (!watch_stream_ready(s))
        return check(p, e);
    for (size_t i = 0; i < count; i++)
        any = any || isfinite(forces[i]);
    if (!any)
        return check(p, e); /* gnuplot calls an empty range an error */
    watch_stream_begin(s);
    watch_stream_add(s, "plot '-' using 1:2 with lines\n");
    for (size_t i = 0; i < count; i++) {
        if (isfinite(forces[i]))
            watch_stream_add(s, "%.2f %.6g\n", -step_s * (double)(count - 1 - i), forces[i]);
        else
            watch_stream_add(s, "\n"); /* an empty line breaks the curve */
    }
    watch_stream_add(s, "e\n");
    watch_stream_ready(s);
    return check(p, e);
}
