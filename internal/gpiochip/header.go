package gpiochip

import (
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/rpi"
)

// headerName translates a position on the 40-pin header of the boards that periph knows by it into the line's name:
// "P1_11" is "GPIO17". It reads periph's table and no more. periph's own init would open chips behind our back (and
// close file descriptor 0 where one chip has two device nodes), and its pins can turn outputs into inputs.
func headerName(position string) (string, bool) {
	if !rpi.Present() {
		return "", false
	}
	p, ok := header40[position]
	if !ok {
		return "", false
	}
	return p.Name(), true
}

// header40 holds the positions that are lines; the others are supplies and grounds.
var header40 = map[string]pin.Pin{
	"P1_3": rpi.P1_3, "P1_5": rpi.P1_5, "P1_7": rpi.P1_7, "P1_8": rpi.P1_8, "P1_10": rpi.P1_10,
	"P1_11": rpi.P1_11, "P1_12": rpi.P1_12, "P1_13": rpi.P1_13, "P1_15": rpi.P1_15, "P1_16": rpi.P1_16,
	"P1_18": rpi.P1_18, "P1_19": rpi.P1_19, "P1_21": rpi.P1_21, "P1_22": rpi.P1_22, "P1_23": rpi.P1_23,
	"P1_24": rpi.P1_24, "P1_26": rpi.P1_26, "P1_27": rpi.P1_27, "P1_28": rpi.P1_28, "P1_29": rpi.P1_29,
	"P1_31": rpi.P1_31, "P1_32": rpi.P1_32, "P1_33": rpi.P1_33, "P1_35": rpi.P1_35, "P1_36": rpi.P1_36,
	"P1_37": rpi.P1_37, "P1_38": rpi.P1_38, "P1_40": rpi.P1_40,
}
