/* What the sketch calls: the runtime's start and one turn of its loop. */
#ifndef SKETCH_H
#define SKETCH_H

#ifdef __cplusplus
extern "C" {
#endif

void sketch_start(void);
void sketch_run(void);

#ifdef __cplusplus
}
#endif

#endif
