/* From one duty to a frame of pixels: colours, the supply's limit, the pixels' depth.
 *
 * Everything is linear light in 16 bit. A frame is built in three passes: each channel gets
 * envlab_scale(duty, colour) and is summed; envlab_frame_factor tells by how much the sum must come down;
 * each channel is scaled by that factor and cut to 8 bit. Rounding is down everywhere, so that the frame
 * never draws more than the limit. ENVLAB_SUM_LIMIT in envlab_parameters.h belongs to pixels and supply.
 */
#ifndef ENVLAB_FRAME_H
#define ENVLAB_FRAME_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Returns the factor (see envlab_scale) that keeps a frame whose duties sum up to total within the supply:
 * 65535 where it is within already. total at most 2^31 - 1. Once a frame: 16 rounds of shift and subtract. */
uint16_t envlab_frame_factor(uint32_t total);

/* Returns an 8 bit duty: code/255 is never above duty/65535. */
uint8_t envlab_byte(uint16_t duty);

#ifdef __cplusplus
}
#endif

#endif
