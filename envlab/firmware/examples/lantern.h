/* One lantern yoke: 24 pixels of three channels, all in step with the sound. */
#ifndef LANTERN_H
#define LANTERN_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define LANTERN_PIXELS 24u
#define LANTERN_CHANNELS 3u

/* Shows every pixel in its own colour at this duty, within what the supply bears. */
void lantern_show(uint16_t duty);

#ifdef __cplusplus
}
#endif

#endif
