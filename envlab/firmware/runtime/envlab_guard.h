/* The flash guard: never more than three general flashes in any second, whatever the music does.
 *
 * It counts the changes of the light that is shown. Once the second gone by holds seven of them, the eighth,
 * which would complete a fourth flash, is held back: the light follows the music only within less than one
 * change, until the oldest of the seven is more than a second old by a clock that may be 3 % fast. A light
 * that keeps the limit passes unchanged. The rule and why it holds stand with its Python twin, in
 * envlab/digital/guard/flash_guard.py.
 *
 * Call it once a frame, on the duty that the frame should have, and build the colours from what it returns. A
 * limit over the frame that colours can move (ENVLAB_GUARD_ALWAYS is below ENVLAB_GUARD_TOP then) comes first:
 * hand over the duty that it grants. What comes out is never above the greater of that and what the limit
 * grants to all pixels at full white, so the limit never has to cut it.
 *
 * It knows one duty for all pixels. What a program does to colours and patterns by itself it cannot see, nor
 * flashes of red where the program changes to and from a deep red.
 */
#ifndef ENVLAB_GUARD_H
#define ENVLAB_GUARD_H

#include <stdint.h>

#include "envlab_parameters.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Light is the code that is shown: of 8 bit, or of more in the upper bits of a word of 16. */
#if ENVLAB_GUARD_BITS == 8
typedef uint8_t envlab_guard_light;
#else
typedef uint16_t envlab_guard_light;
#endif

#define ENVLAB_GUARD_ROOM 8u

/* Everything that is carried from one frame to the next. Only the functions below change it. While the next
 * change would be a fall, light stands upside down (full minus its code), so that it always leads upwards. */
typedef struct {
    uint8_t left[ENVLAB_GUARD_ROOM];  /* ticks: when the light last left each cell round the one it is in */
    uint8_t stamp[ENVLAB_GUARD_ROOM]; /* ticks: when each of the latest changes began, at the latest */
    envlab_guard_light low;           /* farthest that the latest change has led; the next one starts here */
    envlab_guard_light flip;          /* all ones while light stands upside down */
    uint8_t cell;                     /* the cell that the light is in, never upside down */
    uint8_t now;                      /* ticks, wraps */
    uint8_t first;                    /* the oldest change that counts; places wrap round the room */
    uint8_t next;                     /* one place behind the latest change */
    uint8_t phase;                    /* frames since the last tick */
} envlab_guard_state;

/* Puts the state to darkness, in which nothing has changed. */
void envlab_guard_start(envlab_guard_state *guard);

/* Takes the duty that the frame should have; call it at ENVLAB_BRIGHTNESS_RATE_HZ. Returns the duty to show. */
uint16_t envlab_guard(envlab_guard_state *guard, uint16_t duty);

#ifdef __cplusplus
}
#endif

#endif
