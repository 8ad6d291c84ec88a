/* Temporal dithering: 2^ENVLAB_FRAME_DITHER_BITS refreshes show together what one cannot.
 *
 * Optional, with a state of its own (one byte). It is for pixels that are written again and again, at
 * ENVLAB_FRAME_REFRESH_HZ: the pattern must repeat at 200 Hz or faster, or the dimmest light is seen to
 * flicker; the tool refuses a slower one. The mean over a pattern is the duty, rounded half up to that many
 * bits more than the pixel has; a single refresh may pass it by one code. A frame that the supply's limit
 * scales down is not dithered, and no refresh of any other passes the limit.
 */
#ifndef ENVLAB_DITHER_H
#define ENVLAB_DITHER_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Call once before each refresh, with the byte that holds the phase, any value at the start. */
void envlab_dither_refresh(uint8_t *phase);

/* Returns this refresh's threshold for envlab_frame_code. place: the low byte of the pixel's number, which
 * keeps neighbours out of step. */
uint16_t envlab_dither_threshold(uint8_t phase, uint8_t place);

#ifdef __cplusplus
}
#endif

#endif
