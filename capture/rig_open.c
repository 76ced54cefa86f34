#include "capture/rig_open.h"

#include "capture/bench_file.h"
#include "capture/pair_link.h"
#include "capture/pair_start.h"

#include <sys/stat.h>

static enum err_code open_bench(const char *path, enum link_way way, struct link **link, struct err *e)
{
    struct bench_file bench;
    struct run_separate separate;
    struct link *force = NULL;
    struct link *feed = NULL;
    enum err_code code = bench_file_read(path, &bench, e);
    if (code == ERR_OK)
        code = link_open(bench.force.port, bench.force.baud, way, &force, e);
    if (code == ERR_OK)
        code = link_open(bench.feed.port, bench.feed.baud, way, &feed, e);
    if (code == ERR_OK)
        code = pair_start(path, &bench, force, feed, &separate, e);
    if (code == ERR_OK)
        return pair_link_open(path, &bench, &separate, force, feed, link, e);
    link_close(force);
    link_close(feed);
    return code;
}

enum err_code rig_open(const char *path, int baud, enum link_way way, struct link **link, struct err *e)
{
    struct stat status;
    *link = NULL;
    if (stat(path, &status) == 0 && S_ISREG(status.st_mode))
        return open_bench(path, way, link, e);
    return link_open(path, baud, way, link, e);
}

const struct run_separate *rig_separate(const struct link *link)
{
    const struct pair_link *pair = pair_link_of(link);
    return pair != NULL ? pair_link_separate(pair) : NULL;
}

bool rig_is_simulated_bench(const struct link *link)
{
    const struct pair_link *pair = pair_link_of(link);
    return pair != NULL && pair_link_bench(pair)->simulated;
}
