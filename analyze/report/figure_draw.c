/* The one place that starts gnuplot: no shell, a working directory of its own, and a success that is believed
 * only when a whole picture is there. Its start takes longer than most figures do, so it is not started anew
 * for each. */
#include "analyze/report/figure_draw.h"

#include "analyze/report/figure_pool.h"
#include "analyze/report/svg_inline.h"
#include "datasets/format/file_bytes.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define DRAW_PATIENCE_MS 60000 /* a figure takes well under a second; a gnuplot that hangs is stopped */
#define SVG_BYTES_MAX    (8 * 1024 * 1024) /* far above what thinned data can make */

/* gnuplot's words, of ASCII's control characters: that a script has come to its end, which it does not after
 * an error; and that gnuplot waits for the next one. */
#define GOOD_BYTE   '\006' /* acknowledge */
#define DONE_BYTE   '\004' /* end of transmission */
#define GOOD_OCTETS "\\006"
#define DONE_OCTETS "\\004"

/* An error ends this line. */
#define DRAW "load '%s.gp'; set print; print \"" GOOD_OCTETS "\"\n"
/* Then nothing that the script set is left, and its picture is closed. The first group of a picture names the
 * pen of the picture before it; that of an empty page is the one gnuplot begins with, so that a picture is
 * the same to the byte whatever was drawn before. */
#define FORGET                                                                                               \
    "unset multiplot\nset print\nreset session\nunset datafile columnheaders\nunset datafile\n"              \
    "set decimalsign\nset terminal svg\n"                                                                    \
    "set output '/dev/null'\nclear\nunset output\nprint \"" DONE_OCTETS "\"\n"

/* Start `gnuplot -d` in folder, with its standard input and error on these descriptors. */
static int start(const char *folder, int commands, int complaints, pid_t *pid)
{
    char *arguments[] = {"gnuplot", "-d", NULL};
    char path[4096];
    char *environment[] = {path, "LC_ALL=C.UTF-8", "HOME=/nonexistent", "GNUTERM=svg", NULL};
    const char *search = getenv("PATH");
    posix_spawn_file_actions_t actions;
    int rc;
    snprintf(path, sizeof path, "PATH=%s", search != NULL ? search : "/usr/local/bin:/usr/bin:/bin");
    if (posix_spawn_file_actions_init(&actions) != 0)
        return ENOMEM;
    rc = posix_spawn_file_actions_adddup2(&actions, commands, STDIN_FILENO);
    if (rc == 0)
        rc = posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    if (rc == 0)
        rc = posix_spawn_file_actions_adddup2(&actions, complaints, STDERR_FILENO);
    if (rc == 0)
        rc = posix_spawn_file_actions_addchdir_np(&actions, folder);
    if (rc == 0)
        rc = posix_spawnp(pid, "gnuplot", &actions, NULL, arguments, environment);
    posix_spawn_file_actions_destroy(&actions);
    return rc;
}

static enum err_code start_drawer(const char *folder, struct figure_drawer *d, struct err *e)
{
    int said[2], told[2], rc;
    pid_t pid;
    if (pipe2(said, O_CLOEXEC) != 0)
        return err_set(e, ERR_SYSTEM, "no pipe to gnuplot: %s", strerror(errno));
    /* A socket, as writing to one that nobody reads any more sends us no signal. */
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, told) != 0) {
        rc = errno;
        close(said[0]);
        close(said[1]);
        return err_set(e, ERR_SYSTEM, "no pipe to gnuplot: %s", strerror(rc));
    }
    rc = start(folder, told[1], said[1], &pid);
    close(told[1]);
    close(said[1]);
    if (rc != 0) {
        close(told[0]);
        close(said[0]);
        return err_set(e, ERR_SYSTEM,
                       rc == ENOENT ? "gnuplot was not found; install gnuplot-nox, or leave figures out with "
                                      "--no-figures (%s)"
                                    : "gnuplot could not be started: %s",
                       strerror(rc));
    }
    *d = (struct figure_drawer){.pid = pid, .commands = told[0], .complaints = said[0]};
    return ERR_OK;
}

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* Its patience counts from the last word it said, which is enough: our scripts say nothing. */
enum figure_draw_state figure_draw_listen(struct figure_drawer *d)
{
    char said[256];
    ssize_t got = read(d->complaints, said, sizeof said);
    if (got < 0 && errno == EINTR)
        return FIGURE_DRAW_GOES_ON;
    if (got <= 0)
        return FIGURE_DRAW_GONE;
    for (ssize_t i = 0; i < got; i++) {
        if (said[i] == DONE_BYTE)
            return d->good ? FIGURE_DRAW_DONE : FIGURE_DRAW_FAILED;
        d->good = d->good || said[i] == GOOD_BYTE;
        if (d->used + 1 < sizeof d->complaint)
            d->complaint[d->used++] = said[i];
    }
    d->patience_until_ms = now_ms() + DRAW_PATIENCE_MS;
    return FIGURE_DRAW_GOES_ON;
}

int figure_draw_patience_ms(const struct figure_drawer *d)
{
    int64_t left_ms = d->patience_until_ms - now_ms();
    return left_ms > 0 ? (int)left_ms : 0;
}

/* The first line of gnuplot's complaint that holds words; it begins with the line at fault and a caret. */
static const char *first_words(char *text)
{
    char *save = NULL;
    const char *best = "it said nothing";
    for (char *line = strtok_r(text, "\n", &save); line != NULL; line = strtok_r(NULL, "\n", &save)) {
        line += strspn(line, " \t^");
        if (strstr(line, "line ") != NULL)
            return line;
        if (line[0] != 0)
            best = line;
    }
    return best;
}

static bool picture_path(const char *folder, const struct figure *figure, char *path, size_t size)
{
    return (size_t)snprintf(path, size, "%s/%s.svg", folder, figure->name) < size;
}

enum err_code figure_draw_begin(const char *folder, const struct figure *figure, struct figure_drawer *d,
                                struct err *e)
{
    char path[4096], commands[FIGURE_NAME_SIZE + sizeof DRAW FORGET];
    int length;
    if (!picture_path(folder, figure, path, sizeof path))
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    /* gnuplot is content with a full disk; a picture of an earlier report must not pass for this one's. */
    if (unlink(path) != 0 && errno != ENOENT)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be replaced: %s", strerror(errno));
    if (d->pid == 0 && start_drawer(folder, d, e) != ERR_OK) {
        if (e != NULL)
            snprintf(e->file, sizeof e->file, "%s.gp", figure->name);
        return ERR_SYSTEM;
    }
    length = snprintf(commands, sizeof commands, DRAW FORGET, figure->name);
    /* Where it has ended meanwhile this does nothing, and listening tells. */
    if (send(d->commands, commands, (size_t)length, MSG_NOSIGNAL) != length)
        shutdown(d->commands, SHUT_WR);
    d->used = 0;
    d->good = false;
    d->patience_until_ms = now_ms() + DRAW_PATIENCE_MS;
    return ERR_OK;
}

static int reap(struct figure_drawer *d, bool stop)
{
    int status = 0;
    close(d->commands);
    close(d->complaints);
    if (stop)
        kill(d->pid, SIGKILL);
    while (waitpid(d->pid, &status, 0) < 0 && errno == EINTR)
        continue;
    d->pid = 0;
    return status;
}

void figure_drawer_end(struct figure_drawer *d)
{
    if (d->pid != 0)
        reap(d, true);
}

/* A report does not need the memory of its largest picture. */
static void let_go(const char *svg, size_t bytes)
{
    file_bytes_let_go(svg, 0, bytes);
}

enum err_code figure_put(const char *folder, const struct figure *figure, FILE *out, struct err *e)
{
    char path[4096], words[sizeof figure->seen + sizeof figure->description + 1];
    const char *drawn;
    size_t length = 0;
    struct err why = {0};
    enum err_code code;
    if (!picture_path(folder, figure, path, sizeof path))
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    if (file_bytes_map(path, SVG_BYTES_MAX, &drawn, &length, &why) != ERR_OK)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "gnuplot left no picture that could be read: it %s",
                          why.text);
    snprintf(words, sizeof words, "%s%s%s", figure->seen, figure->seen[0] != 0 ? " " : "",
             figure->description);
    code = svg_inline(drawn, length, figure->name, figure->title, words, out, let_go, e);
    if (code != ERR_OK && e != NULL)
        snprintf(e->file, sizeof e->file, "%.500s", path);
    file_bytes_unmap(drawn, length);
    return code;
}

char *figure_drawn_by(const char *folder, const struct figure *figure, char *buffer, size_t size)
{
    static const char words[] = "Produced by GNUPLOT ";
    char path[4096], head[1024];
    size_t length = 0;
    const char *at;
    FILE *in = picture_path(folder, figure, path, sizeof path) ? fopen(path, "re") : NULL;
    if (in != NULL) {
        length = fread(head, 1, sizeof head - 1, in);
        fclose(in);
    }
    head[length] = 0;
    at = strstr(head, words);
    buffer[0] = 0;
    if (at != NULL) {
        at += strlen(words);
        snprintf(buffer, size, "gnuplot %.*s", (int)strspn(at, "abcdefghijklmnopqrstuvwxyz0123456789. "), at);
        for (size_t n = strlen(buffer); n > 0 && buffer[n - 1] == ' '; n--)
            buffer[n - 1] = 0;
    }
    return buffer;
}

void figure_undraw(const char *folder, struct figure *figure)
{
    char path[4096];
    figure->drawn = false;
    if (picture_path(folder, figure, path, sizeof path))
        unlink(path);
}

enum err_code figure_draw_end(const char *folder, struct figure *figure, struct figure_drawer *d,
                              enum figure_draw_state state, struct err *e)
{
    char script[FIGURE_NAME_SIZE + 4];
    enum err_code code;
    d->complaint[d->used] = 0;
    snprintf(script, sizeof script, "%s.gp", figure->name);
    if (state == FIGURE_DRAW_GONE || state == FIGURE_DRAW_HANGS)
        reap(d, state == FIGURE_DRAW_HANGS);
    if (state == FIGURE_DRAW_DONE)
        code = figure_put(folder, figure, NULL, e);
    else if (state == FIGURE_DRAW_HANGS)
        code = err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot did not end within %d s",
                          DRAW_PATIENCE_MS / 1000);
    else
        code = err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot failed: %s", first_words(d->complaint));
    if (code != ERR_OK)
        figure_undraw(folder, figure);
    figure->drawn = code == ERR_OK;
    return code;
}

void figure_draw_drop(const char *folder, const struct figure *figure, struct figure_drawer *d)
{
    char path[4096];
    reap(d, true);
    if (picture_path(folder, figure, path, sizeof path))
        unlink(path);
}

enum err_code figure_draw(const char *folder, struct figure *figure, struct err *e)
{
    struct figures one = {.figure = figure, .count = 1};
    struct figure_pool pool;
    figure_pool_init(&pool, folder, &one, 1);
    figure_pool_start(&pool, 0);
    return figure_pool_finish(&pool, e);
}
