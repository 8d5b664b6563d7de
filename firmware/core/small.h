/* Help for small code on AVR, where an access to a static by its address takes four bytes and one by a pointer two. The
 * compiler knows what a pointer to a static points at and goes by the address again, unless it is kept from knowing. */
#ifndef SMALL_H
#define SMALL_H

#if defined(__AVR__)
#define BY_POINTER(pointer) __asm__("" : "+b"(pointer))
#else
#define BY_POINTER(pointer) ((void)(pointer))
#endif

/* A function that is called once and yet smaller as one of its own: inlined it costs its caller more registers than the call. */
#define APART __attribute__((noinline))

/* What a start sets to 0 already is on a chip, where every start is a reset; a process starts the core many times. */
#if defined(__AVR__)
#define ON_RESTART(statement) ((void)0)
#else
#define ON_RESTART(statement) (statement)
#endif

#endif
