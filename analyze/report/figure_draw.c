/* The one place that starts gnuplot: no shell, a working directory of its own, nothing on its standard input,
 * and a success that is believed only when a whole picture is there. */
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
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define DRAW_PATIENCE_MS 60000 /* a figure takes well under a second; a gnuplot that hangs is stopped */
#define SVG_BYTES_MAX    (8 * 1024 * 1024) /* far above what thinned data can make */

/* Start `gnuplot -d NAME.gp` in folder with its standard error on the write end of complaints. */
static int start(const char *folder, char *script, int complaints, pid_t *pid)
{
    char *arguments[] = {"gnuplot", "-d", script, NULL};
    char path[4096];
    char *environment[] = {path, "LC_ALL=C.UTF-8", "HOME=/nonexistent", "GNUTERM=svg", NULL};
    const char *search = getenv("PATH");
    posix_spawn_file_actions_t actions;
    int rc;
    snprintf(path, sizeof path, "PATH=%s", search != NULL ? search : "/usr/local/bin:/usr/bin:/bin");
    if (posix_spawn_file_actions_init(&actions) != 0)
        return ENOMEM;
    rc = posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
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

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* The patience counts from the last word it said, which is enough: our scripts say nothing. */
bool figure_draw_listen(struct figure_drawing *d)
{
    char rest[256];
    bool room = d->used + 1 < sizeof d->complaint;
    ssize_t got = read(d->complaints, room ? d->complaint + d->used : rest,
                       room ? sizeof d->complaint - 1 - d->used : sizeof rest);
    if (got < 0 && errno == EINTR)
        return true;
    if (got <= 0)
        return false;
    if (room)
        d->used += (size_t)got;
    d->patience_until_ms = now_ms() + DRAW_PATIENCE_MS;
    return true;
}

int figure_draw_patience_ms(const struct figure_drawing *d)
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

enum err_code figure_draw_begin(const char *folder, const struct figure *figure, struct figure_drawing *d,
                                struct err *e)
{
    char path[4096], script[FIGURE_NAME_SIZE + 4];
    int ends[2], rc;
    if (!picture_path(folder, figure, path, sizeof path))
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    /* gnuplot exits with 0 on a full disk; a picture of an earlier report must not pass for this one's. */
    if (unlink(path) != 0 && errno != ENOENT)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be replaced: %s", strerror(errno));
    snprintf(script, sizeof script, "%s.gp", figure->name);
    if (pipe2(ends, O_CLOEXEC) != 0)
        return err_set(e, ERR_SYSTEM, "no pipe to gnuplot: %s", strerror(errno));
    rc = start(folder, script, ends[1], &d->pid);
    close(ends[1]);
    if (rc != 0) {
        close(ends[0]);
        return err_set_at(e, ERR_SYSTEM, script, 0, 0,
                          rc == ENOENT
                              ? "gnuplot was not found; install gnuplot-nox, or leave figures out with "
                                "--no-figures (%s)"
                              : "gnuplot could not be started: %s",
                          strerror(rc));
    }
    d->complaints = ends[0];
    d->used = 0;
    d->patience_until_ms = now_ms() + DRAW_PATIENCE_MS;
    return ERR_OK;
}

static int reap(struct figure_drawing *d, bool stop)
{
    int status = 0;
    close(d->complaints);
    d->complaints = -1;
    if (stop)
        kill(d->pid, SIGKILL);
    while (waitpid(d->pid, &status, 0) < 0 && errno == EINTR)
        continue;
    return status;
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

enum err_code figure_draw_end(const char *folder, struct figure *figure, struct figure_drawing *d, bool hangs,
                              struct err *e)
{
    char script[FIGURE_NAME_SIZE + 4];
    int status = reap(d, hangs);
    enum err_code code;
    d->complaint[d->used] = 0;
    snprintf(script, sizeof script, "%s.gp", figure->name);
    if (hangs)
        code = err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot did not end within %d s",
                          DRAW_PATIENCE_MS / 1000);
    else if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        code = err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot failed: %s", first_words(d->complaint));
    else
        code = figure_put(folder, figure, NULL, e);
    if (code != ERR_OK)
        figure_undraw(folder, figure);
    figure->drawn = code == ERR_OK;
    return code;
}

void figure_draw_drop(const char *folder, const struct figure *figure, struct figure_drawing *d)
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
