/* Where the builders' tools look; the emitter is one file, which can also be copied alone. */
#include "../sagline.h"
