/* Memory for the many small pieces of JSON that is read or put together, looked at and forgotten: taken from
 * one place and given back at once. malloc would look after each piece for itself, threads would wait for
 * each other there, and what is kept meanwhile would come to lie among the pieces. */
#ifndef DATASETS_FORMAT_JSON_REGION_H
#define DATASETS_FORMAT_JSON_REGION_H

#include <obstack.h>

struct json_region {
    struct obstack pieces;
    struct json_region *around; /* the one that was open before */
};

/* Once at the start of a program: from now on regions are used. A program that does not call this gets its
 * JSON from malloc, and opening and closing does nothing. no_memory: called at want of memory in an open
 * region; it must end the program. */
void json_region_set_up(void (*no_memory)(void));

/* All JSON that this thread makes from now on until region is closed lies in it, and goes with it: none may
 * be used after that, and none from before may be released meanwhile. Regions may lie within each other. */
void json_region_open(struct json_region *region);
void json_region_close(struct json_region *region);

#endif
