/* What a program asks once, before its first light: is all of this what was exported?
 *
 * Optional, without a state. envlab_boot_check takes some ten milliseconds on a small machine.
 */
#ifndef ENVLAB_BOOT_H
#define ENVLAB_BOOT_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* What envlab_boot_check answers. Anything but 0: keep the pixels dark, and show which. */
#define ENVLAB_BOOT_FINE 0u         /* table and arithmetic are right */
#define ENVLAB_BOOT_TABLE_BROKEN 1u /* the table in program memory has changed since it was exported */
#define ENVLAB_BOOT_NUMBERS_WRONG 2u /* parameters were changed, or this compiler computes another light */

/* Asks both of the following. */
uint8_t envlab_boot_check(void);

/* Returns 1 if the table in program memory still has its CRC-32, else 0. */
uint8_t envlab_table_is_whole(void);

/* Runs the golden vectors: ENVLAB_GOLDEN_READINGS readings through everything that makes the light, on a
 * state of its own. Returns 1 if the results have the CRC-32 that the tool computed, else 0. */
uint8_t envlab_golden_is_right(void);

#define ENVLAB_GOLDEN_READINGS 48u

#ifdef __cplusplus
}
#endif

#endif
