#include "envlab_guard.h"

#if ENVLAB_GUARD == 0
#error "this design was exported without the flash guard: leave envlab_guard.c out"
#endif

#define BITS ENVLAB_GUARD_BITS
#define PLACE (ENVLAB_GUARD_ROOM - 1u)
#define CHANGES 7u /* one fewer than four flashes have */

typedef envlab_guard_light light_t;

/* The code nearest to a duty, half up, as envlab_frame.c has it; and a duty that is shown as a code. */
#if BITS == 8
#define DUTY_OF(light) ((uint16_t)((uint16_t)((uint16_t)(light) << 8) | (light)))
#elif BITS == 16
#define DUTY_OF(light) (light)
#else
#define DUTY_OF(light) ((uint16_t)((light) | ((light) >> BITS)))
#endif

static light_t light_of(uint16_t duty)
{
#if BITS == 16
    return duty;
#elif BITS == 8
    const uint8_t high = (uint8_t)(duty >> 8);
    const uint8_t low = (uint8_t)(duty & 0xFFu);

    return (light_t)((uint16_t)(duty - high - ((low > high) ? 1u : 0u) + 128u) >> 8);
#else
    const uint16_t high = (uint16_t)(duty >> BITS);
    const uint16_t low = (uint16_t)(duty & (0xFFFFu >> (16 - BITS)));
    const uint16_t low_part = (uint16_t)((uint16_t)(low << (16 - BITS)) - low);
    const uint16_t high_part = (uint16_t)((uint16_t)(high << BITS) - high);
    const uint16_t fine = (uint16_t)(duty - high - ((low_part > high_part) ? 1u : 0u));

    return (light_t)((fine + (1u << (15 - BITS))) & (0xFFFFu << (16 - BITS)));
#endif
}

static uint8_t cell_of(light_t light, light_t flip)
{
    return (uint8_t)((light_t)(light ^ flip) >> ENVLAB_GUARD_CELL);
}

static uint8_t counted(const envlab_guard_state *guard)
{
    return (uint8_t)(guard->next - guard->first);
}

void envlab_guard_start(envlab_guard_state *guard)
{
    uint8_t *byte = (uint8_t *)guard;
    uint8_t left = sizeof *guard;

    do {
        *byte++ = 0u;
        left--;
    } while (left != 0u);
}

uint16_t envlab_guard(envlab_guard_state *guard, uint16_t duty)
{
    light_t light = light_of(duty);
    light_t flip = guard->flip;
    uint8_t most = CHANGES;
    uint8_t cell, here, n;

    if (light > ENVLAB_GUARD_TOP) {
        light = ENVLAB_GUARD_TOP;
    }
    if (guard->first != guard->next
        && (uint8_t)(guard->now - guard->stamp[guard->first & PLACE]) > ENVLAB_GUARD_REACH) {
        guard->first++;
    }
#if ENVLAB_GUARD_ALWAYS < ENVLAB_GUARD_TOP
    /* From above what the limit always grants it may have to cut the light: room is kept for that fall. */
    if (light > ENVLAB_GUARD_ALWAYS) {
        if (flip == 0u) {
            most--;
        } else if (counted(guard) == CHANGES) {
            light = ENVLAB_GUARD_ALWAYS;
            duty = DUTY_OF(light);
        }
    }
#endif
    light ^= flip;
    if (light >= guard->low && (light_t)(light - guard->low) >= ENVLAB_GUARD_LEAST) {
        if (counted(guard) >= most) {
            light = (light_t)(guard->low + ENVLAB_GUARD_MOST);
            duty = DUTY_OF((light_t)(light ^ flip));
        } else {
            guard->next++;
            flip = (light_t)~flip;
            guard->flip = flip;
            guard->low = (light_t)~guard->low;
            light = (light_t)~light;
        }
    }
    cell = guard->cell;
    here = cell_of(light, flip);
    guard->cell = here;
    /* After as many steps as there is room for, every place has the time of now. */
    for (n = ENVLAB_GUARD_ROOM; cell != here && n != 0u; n--) {
        guard->left[cell & PLACE] = guard->now;
        cell = (cell < here) ? (uint8_t)(cell + 1u) : (uint8_t)(cell - 1u);
    }
    if (light < guard->low) {
        /* A new change, or the latest one leads on: it began when the light was last so far from here. */
        guard->low = light;
        here = cell_of((light_t)(light + ENVLAB_GUARD_LEAST), flip);
        n = (uint8_t)(guard->next - 1u);
        guard->stamp[n & PLACE] = guard->left[here & PLACE];
        if (guard->first == guard->next) {
            guard->first = n;
        }
    }
#if ENVLAB_GUARD_FRAMES_PER_TICK > 1
    guard->phase++;
    if (guard->phase == ENVLAB_GUARD_FRAMES_PER_TICK) {
        guard->phase = 0u;
        guard->now++;
    }
#else
    guard->now++;
#endif
    return duty;
}
