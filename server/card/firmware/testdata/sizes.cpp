// Writes what a card needs.
#include <stdio.h>

#include "card.h"

int main() { printf("Card %u bytes, real %u bytes\n", unsigned(sizeof(Card)), unsigned(sizeof(real))); }
