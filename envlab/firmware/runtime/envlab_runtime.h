/* From an ADC reading to the pixels' duty, the same bit for bit on every machine.
 *
 * C99 and C++, unsigned arithmetic only, no heap, no floating point, no division, safe where int has
 * 16 bits. envlab_parameters.h and envlab_table.h, which belong to one design, give the numbers.
 *
 * Words:
 *   reading    unsigned Q0.16 of the ADC's full scale: left-justified counts, that is counts shifted up by
 *              ENVLAB_ADC_SHIFT (many converters do so by themselves if asked)
 *   envelope   as a reading, above rest
 *   level      unsigned Q4.12 octave: place of the envelope's top bit and the 12 bits behind it, straight
 *              within each octave; 4096 are 6.02 dB
 *   duty       unsigned code, 65535 is full
 */
#ifndef ENVLAB_RUNTIME_H
#define ENVLAB_RUNTIME_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Everything that is carried from one reading to the next. Only the functions below change it. */
typedef struct {
    uint32_t envelope;     /* unsigned Q16.16 of an envelope word */
    uint16_t window;       /* level word: where the light begins */
    uint16_t noise;        /* level word above the window: where the quiet lies */
    uint16_t gate;         /* level word above the noise: ENVLAB_GATE_OPEN while shut, else _CLOSE */
    uint8_t envelope_low;  /* the 8 bits behind envelope */
    uint8_t countdown;     /* steps until window and noise adapt again */
} envlab_state;

/* Puts the state to silence, gate closed, window where the design has it. */
void envlab_start(envlab_state *state);

/* Takes one reading; call it at ENVLAB_ADC_RATE_HZ. Returns the envelope. */
uint16_t envlab_follow(envlab_state *state, uint16_t reading);

/* Takes the envelope; call it at ENVLAB_BRIGHTNESS_RATE_HZ. Returns the duty. */
uint16_t envlab_brightness(envlab_state *state, uint16_t envelope);

/* Both, where the brightness is wanted for every reading. */
uint16_t envlab_step(envlab_state *state, uint16_t reading);

/* Chooses one of the ENVLAB_OFFSET_STEPS sensitivities, 0 the least; a larger number counts as the last. */
void envlab_choose_offset(envlab_state *state, uint8_t offset_step);

/* Returns the duty at a place in the table, entry position/256, straight between entries, rounded half up.
 * position: at most ENVLAB_RANGE where ENVLAB_LEVEL_INDEX is 1, else any, such as an envelope. */
uint16_t envlab_look_up(uint16_t position);

/* Returns value * (factor + 1) / 65536, rounded down: factor 65535 leaves the value as it is. */
uint16_t envlab_scale(uint16_t value, uint16_t factor);

#ifdef __cplusplus
}
#endif

#endif
