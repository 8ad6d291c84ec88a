/* Constants in program memory, for machines that keep it apart from data memory.
 *
 * A build may define the three macros itself before this file is read; then nothing here applies.
 *   ENVLAB_ROM           stands behind the name of a constant array
 *   ENVLAB_ROM_U8(p)     reads the 8 bit value that p points to
 *   ENVLAB_ROM_U16(p)    reads the 16 bit value that p points to
 */
#ifndef ENVLAB_ROM
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define ENVLAB_ROM PROGMEM
#define ENVLAB_ROM_U8(p) pgm_read_byte(p)
#define ENVLAB_ROM_U16(p) pgm_read_word(p)
#else
#define ENVLAB_ROM
#define ENVLAB_ROM_U8(p) (*(p))
#define ENVLAB_ROM_U16(p) (*(p))
#endif
#endif
