/* The one place that starts gnuplot: no shell, a working directory of its own, nothing on its standard input,
 * and a success that is believed only when a whole picture is there. */
#include "analyze/report/figure.h"
#include "analyze/report/svg_inline.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define DRAW_PATIENCE_MS 60000 /* a figure takes well under a second; a gnuplot that hangs is stopped */
#define SVG_BYTES_MAX    (8 * 1024 * 1024) /* far above what thinned data can make */
#define COMPLAINT_SIZE   400

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

/* Take what gnuplot says until it closes its standard error. False when it took too long. The patience counts
 * from the last word it said, which is enough: our scripts say nothing. */
static bool take_complaint(int complaints, char *text, size_t size)
{
    size_t used = 0;
    char rest[256] = "";
    for (;;) {
        struct pollfd wait_for = {.fd = complaints, .events = POLLIN};
        int ready = poll(&wait_for, 1, DRAW_PATIENCE_MS);
        bool room = used + 1 < size;
        ssize_t got;
        if (ready < 0 && errno == EINTR)
            continue;
        if (ready <= 0) {
            text[used] = 0;
            return false;
        }
        got = read(complaints, room ? text + used : rest, room ? size - 1 - used : sizeof rest);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            break;
        if (room)
            used += (size_t)got;
    }
    text[used] = 0;
    return true;
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

static enum err_code run_gnuplot(const char *folder, const char *name, struct err *e)
{
    char script[FIGURE_NAME_SIZE + 4], complaint[COMPLAINT_SIZE];
    int ends[2], rc, status = 0;
    bool in_time;
    pid_t pid;
    snprintf(script, sizeof script, "%s.gp", name);
    if (pipe2(ends, O_CLOEXEC) != 0)
        return err_set(e, ERR_SYSTEM, "no pipe to gnuplot: %s", strerror(errno));
    rc = start(folder, script, ends[1], &pid);
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
    in_time = take_complaint(ends[0], complaint, sizeof complaint);
    close(ends[0]);
    if (!in_time)
        kill(pid, SIGKILL);
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
        continue;
    if (!in_time)
        return err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot did not end within %d s",
                          DRAW_PATIENCE_MS / 1000);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
        return err_set_at(e, ERR_SYSTEM, script, 0, 0, "gnuplot failed: %s", first_words(complaint));
    return ERR_OK;
}

static enum err_code read_whole(const char *path, char **text, size_t *length, struct err *e)
{
    FILE *in = fopen(path, "re");
    struct stat info;
    *text = NULL;
    if (in == NULL)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "gnuplot left no picture: %s", strerror(errno));
    if (fstat(fileno(in), &info) != 0 || info.st_size > SVG_BYTES_MAX) {
        fclose(in);
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "the picture is larger than %d bytes", SVG_BYTES_MAX);
    }
    *text = malloc((size_t)info.st_size + 1);
    *length = *text != NULL ? fread(*text, 1, (size_t)info.st_size, in) : 0;
    fclose(in);
    if (*text == NULL)
        return err_set(e, ERR_MEMORY, "out of memory for a picture");
    return ERR_OK;
}

enum err_code figure_draw(const char *folder, struct figure *figure, struct err *e)
{
    char path[4096];
    char *drawn = NULL;
    size_t length = 0;
    FILE *out = NULL;
    enum err_code code;
    if ((size_t)snprintf(path, sizeof path, "%s/%s.svg", folder, figure->name) >= sizeof path)
        return err_set_at(e, ERR_USAGE, folder, 0, 0, "the path is too long");
    /* gnuplot exits with 0 on a full disk; a picture of an earlier report must not pass for this one's. */
    if (unlink(path) != 0 && errno != ENOENT)
        return err_set_at(e, ERR_SYSTEM, path, 0, 0, "cannot be replaced: %s", strerror(errno));
    code = run_gnuplot(folder, figure->name, e);
    if (code == ERR_OK)
        code = read_whole(path, &drawn, &length, e);
    if (code != ERR_OK)
        goto out;
    free(figure->svg);
    figure->svg = NULL;
    out = open_memstream(&figure->svg, &figure->svg_length);
    if (out == NULL) {
        code = err_set(e, ERR_MEMORY, "out of memory for a picture");
        goto out;
    }
    code = svg_inline(drawn, length, figure->name, figure->title, figure->description, out, e);
    if (code != ERR_OK && e != NULL)
        snprintf(e->file, sizeof e->file, "%.500s", path);
    if (fclose(out) != 0 && code == ERR_OK)
        code = err_set(e, ERR_MEMORY, "out of memory for a picture");
out:
    free(drawn);
    if (code != ERR_OK) {
        free(figure->svg);
        figure->svg = NULL;
        unlink(path);
    }
    return code;
}
