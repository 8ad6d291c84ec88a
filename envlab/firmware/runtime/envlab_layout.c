#include "envlab_layout.h"

#include "envlab_layout_table.h"
#include "envlab_products.h"
#include "envlab_rom.h"

#if ENVLAB_LAYOUT_RANKS > 256
#define RANK_OF(place) ENVLAB_ROM_U16(&envlab_layout_ranks[place])
#else
#define RANK_OF(place) ENVLAB_ROM_U8(&envlab_layout_ranks[place])
#endif

uint16_t envlab_layout_duty(uint16_t duty, uint16_t place)
{
    const uint16_t *of_rank = &envlab_layout_rises[2u * RANK_OF(place)];
    const uint16_t start = ENVLAB_ROM_U16(of_rank);
    uint32_t rise = 0u;

    if (duty > start) {
        envlab_add_product(&rise, (unsigned)(duty - start), ENVLAB_ROM_U16(of_rank + 1));
        rise >>= ENVLAB_LAYOUT_FRACTION;
        if (rise > ENVLAB_LAYOUT_SPAN) {
            rise = ENVLAB_LAYOUT_SPAN;
        }
    }
    return (uint16_t)(rise + ENVLAB_LAYOUT_REST);
}

#if ENVLAB_LAYOUT_STEP
void envlab_layout_next(envlab_layout_state *state)
{
    const uint16_t part = (uint16_t)(state->part + ENVLAB_LAYOUT_STEP);

    state->part = part;
    if (part < ENVLAB_LAYOUT_STEP) {
        state->place++;
    }
    if (state->place >= ENVLAB_FRAME_PIXELS) {
        state->place = 0u;
    }
}
#endif
