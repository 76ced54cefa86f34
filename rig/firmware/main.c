#include "rig/firmware/board.h"
#include "rig/firmware/rig.h"

int main(void)
{
    board_start();
    rig_start();
    for (;;) {
        rig_poll();
        board_alive();
    }
}
