/* One push button, asked once a frame. A press counts once, however long it is held; contacts that chatter
 * for less than 20 ms count as nothing. A button that sticks counts once. */
#ifndef BUTTON_H
#define BUTTON_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Forgets what was pressed; a button held down now counts once it was let go. */
void button_start(void);

/* down: 1 while it is held down. Returns 1 in the frame in which a press counts, else 0. */
uint8_t button_pressed(uint8_t down);

#ifdef __cplusplus
}
#endif

#endif
