#include "envlab_dither.h"

#include "envlab_parameters.h"

#if ENVLAB_FRAME_DITHER_BITS == 0
#error "this design was exported without dithering: leave envlab_dither.c out"
#endif
#if ENVLAB_FRAME_BITS + ENVLAB_FRAME_DITHER_BITS > 15
#error "so many bits of dithering do not fit behind the pixels' depth"
#endif

void envlab_dither_refresh(uint8_t *phase)
{
    *phase = (uint8_t)(*phase + 1u);
}

uint16_t envlab_dither_threshold(uint8_t phase, uint8_t place)
{
    uint8_t count = (uint8_t)(phase + place);
    uint8_t weight = 1u << (15 - ENVLAB_FRAME_BITS);
    uint8_t threshold = 0u;
    uint8_t bit;

    for (bit = 0u; bit < ENVLAB_FRAME_DITHER_BITS; bit++) {
        if ((count & 1u) != 0u) {
            threshold = (uint8_t)(threshold | weight);
        }
        count = (uint8_t)(count >> 1);
        weight = (uint8_t)(weight >> 1);
    }
    return (uint16_t)(threshold | weight);
}
