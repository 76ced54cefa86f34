/* datapackage.json, and the paths in it, none of which may lead out of the folder. */
#include "datasets/format/descriptor.h"
#include "datasets/format/series_path.h"
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

static enum err_code read_input(const char *path, void *descriptor, struct err *e)
{
    return descriptor_read(path, descriptor, e);
}

static void release(void *descriptor)
{
    descriptor_free(descriptor);
}

/* Followed part by part, a path that has no fault never climbs above where it began. */
static void check_path(const char *path)
{
    char *copy;
    char *rest = NULL;
    int number = series_path_run_number(path, "csv");
    assert(number >= 0 && number <= 9999);
    if (series_path_fault(path) != NULL)
        return;
    assert(path[0] != '/' && path[0] != 0 && path[strlen(path) - 1] != '/');
    copy = strdup(path);
    assert(copy != NULL);
    for (char *part = strtok_r(copy, "/", &rest); part != NULL; part = strtok_r(NULL, "/", &rest))
        assert(strcmp(part, "..") != 0 && strcmp(part, ".") != 0);
    free(copy);
    if (number > 0) {
        char again[32];
        series_path_of_run(number, "csv", again);
        assert(strcmp(again, path) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length)
{
    struct descriptor d;
    static const struct fuzz_reader reader = {.size = sizeof d, .read = read_input, .release = release};
    if (fuzz_read(&reader, bytes, length, &d) != ERR_OK) {
        assert(d.resources == NULL && d.count == 0);
        return 0;
    }
    assert(d.count <= DESCRIPTOR_RESOURCES_MAX);
    for (size_t i = 0; i < d.count; i++) {
        const struct descriptor_resource *found = descriptor_find(&d, d.resources[i].path);
        assert(found != NULL && found <= &d.resources[i] && strcmp(found->path, d.resources[i].path) == 0);
        assert(d.resources[i].bytes >= -1 && d.resources[i].hash != NULL);
        check_path(d.resources[i].path);
    }
    assert(descriptor_find(&d, "/no such path") == NULL || d.count > 0);
    descriptor_free(&d);
    assert(d.resources == NULL && d.count == 0);
    return 0;
}
