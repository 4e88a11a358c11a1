//go:build !linux

package main

import (
	"errors"

	"periph.io/x/conn/v3/i2c"
)

func openI2C(int) (i2c.BusCloser, error) {
	return nil, errors.New("I2C buses can only be used on Linux")
}
