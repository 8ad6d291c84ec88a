/* Hands one 16 bit word from the ear, which hears every reading, to the eye, which shows the frames.
 *
 * Right whichever of the two is the more urgent, and wherever one cuts into the other, once or a thousand
 * times: on an 8 bit machine too, which moves a word in two halves. Nobody waits, nobody repeats, and no
 * interrupt is held up. The word that is read is the latest one that was whole when the reading began, or a
 * newer one.
 *
 * One task or interrupt writes, and one reads. Machines with several processors need a memory barrier between
 * the steps; it is there for those whose compiler has one built in. Elsewhere define HAND_OVER_BARRIER()
 * before this file is read, or keep both tasks on one processor.
 */
#ifndef HAND_OVER_H
#define HAND_OVER_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Empties it: a reader gets 0 until the first word is written. Call it before either side runs. */
void hand_over_start(void);

/* Writes a word. */
void hand_over_write(uint16_t word);

/* Returns the latest word. */
uint16_t hand_over_read(void);

/* Returns 1 if a word was written since this was last asked, else 0. For the side that reads. */
uint8_t hand_over_arrived(void);

#ifdef __cplusplus
}
#endif

#endif
