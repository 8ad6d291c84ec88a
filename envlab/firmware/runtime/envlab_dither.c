#include "envlab_dither.h"

#include "envlab_parameters.h"

#if ENVLAB_DITHER_BITS == 0
#error "this design was exported without dithering: leave envlab_dither.c out"
#endif

void envlab_dither_refresh(uint8_t *phase)
{
    *phase = (uint8_t)(*phase + 1u);
}

uint8_t envlab_dither_byte(uint8_t phase, uint8_t place, uint16_t duty)
{
    uint8_t count = (uint8_t)(phase + place);
    uint16_t threshold = 0u;
    uint8_t weight = 0x80u;
    uint8_t bit;

    for (bit = 0u; bit < ENVLAB_DITHER_BITS; bit++) {
        if ((count & 1u) != 0u) {
            threshold = (uint16_t)(threshold | weight);
        }
        count = (uint8_t)(count >> 1);
        weight = (uint8_t)(weight >> 1);
    }
    return (uint8_t)((uint16_t)(duty - (duty >> 8) + threshold) >> 8);
}
