/* Version of the runtime, told in the answer to HELLO; that of the workspace (a test holds them together). */
#ifndef VERSION_H
#define VERSION_H

#define RUNTIME_MAJOR 0
#define RUNTIME_MINOR 1
#define RUNTIME_PATCH 0

#endif
