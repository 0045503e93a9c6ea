// pins
