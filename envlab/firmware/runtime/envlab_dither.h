/* Temporal dithering for 8 bit pixels: 2^ENVLAB_DITHER_BITS refreshes show together what one cannot.
 *
 * Optional, with a state of its own (one byte). It is for pixels that are written again and again: the
 * pattern must repeat at 200 Hz or faster, or the dimmest light is seen to flicker; the tool refuses a
 * slower one. The mean over a pattern passes the duty by less than one unit of its 16 bits; a single
 * refresh may pass it by one step of the pixel.
 */
#ifndef ENVLAB_DITHER_H
#define ENVLAB_DITHER_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Call once before each refresh, with the byte that holds the phase, any value at the start. */
void envlab_dither_refresh(uint8_t *phase);

/* Returns the 8 bit duty for this refresh. place, the pixel's number, keeps neighbours out of step. */
uint8_t envlab_dither_byte(uint8_t phase, uint8_t place, uint16_t duty);

#ifdef __cplusplus
}
#endif

#endif
