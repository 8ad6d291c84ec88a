/* The two halves of the work, whatever runs them: the ear hears every reading, the eye shows the frames.
 *
 * Each has a state of its own, so that neither ever meets the other half way through; what passes between
 * them is one word. What happens when something fails:
 *
 *   a reading is missed
 *       the next one counts as usual: attack and release get slower by that reading
 *   no reading for a quarter of a second
 *       the envelope counts as 0 and the light goes out, as at the end of a sound, until readings come again
 *   the converter is stuck
 *       the light stands still, as bright as the reading says and within the supply's limit; a reading that
 *       jumps to and fro flashes no more often than music may
 *   a frame is missed
 *       the light moves later, never sooner; the flash guard counts frames, so that its second gets longer
 *   the supply browns out
 *       with the processor's brown-out reset on (switch it on) everything begins anew, dark, as after
 *       switching on; nothing is kept over a reset
 *   a counter wraps
 *       none does: what counts here stops at its end, or starts again from 0
 *   the timer itself stops, or the program hangs
 *       the pixels keep the last frame: switch on the processor's watchdog, and feed it in board_wait
 */
#ifndef LIGHTS_H
#define LIGHTS_H

#include <stdint.h>

#include "envlab_parameters.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Call it once, before anything runs. Returns the answer of envlab_boot_check: 0, or why the pixels must stay
 * dark. Then call none of the others. */
uint8_t lights_start(void);

/* The ear: call it with every reading, at ENVLAB_ADC_RATE_HZ. */
void lights_hear(uint16_t reading);

/* How often the pixels are written for each frame: once, or more often where the design dithers. */
#define LIGHTS_REFRESHES \
    ((ENVLAB_FRAME_REFRESH_HZ * 1000ul + ENVLAB_BRIGHTNESS_RATE_MILLIHZ / 2ul) \
     / ENVLAB_BRIGHTNESS_RATE_MILLIHZ)

/* The eye: call it LIGHTS_REFRESHES times a frame, of which there are ENVLAB_BRIGHTNESS_RATE_HZ a second. */
void lights_show(void);

#ifdef __cplusplus
}
#endif

#endif
