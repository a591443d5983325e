#include "commands.h"

int main(int argc, char **argv)
{
    return opts_main(&reporter, argc, argv);
}
