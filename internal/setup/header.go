package setup

import "fmt"

// header40 is what is at each position of the common 40-pin header. A test compares it with package gpiochip's.
var header40 = map[string]string{
	"P1_1": "3.3 V", "P1_2": "5 V", "P1_3": "GPIO2", "P1_4": "5 V", "P1_5": "GPIO3", "P1_6": "GND", "P1_7": "GPIO4",
	"P1_8": "GPIO14", "P1_9": "GND", "P1_10": "GPIO15", "P1_11": "GPIO17", "P1_12": "GPIO18", "P1_13": "GPIO27",
	"P1_14": "GND", "P1_15": "GPIO22", "P1_16": "GPIO23", "P1_17": "3.3 V", "P1_18": "GPIO24", "P1_19": "GPIO10",
	"P1_20": "GND", "P1_21": "GPIO9", "P1_22": "GPIO25", "P1_23": "GPIO11", "P1_24": "GPIO8", "P1_25": "GND",
	"P1_26": "GPIO7", "P1_27": "GPIO0", "P1_28": "GPIO1", "P1_29": "GPIO5", "P1_30": "GND", "P1_31": "GPIO6",
	"P1_32": "GPIO12", "P1_33": "GPIO13", "P1_34": "GND", "P1_35": "GPIO19", "P1_36": "GPIO16", "P1_37": "GPIO26",
	"P1_38": "GPIO20", "P1_39": "GND", "P1_40": "GPIO21",
}

// dil28 is what is at each leg of the timing board's chip, as far as its sockets have it; from the data sheet's
// pin-out, from memory. A test compares it with the hardware folder's wiring.
var dil28 = map[string]string{
	"1": "reset", "2": "PD0", "3": "PD1", "4": "PD2", "5": "PD3", "6": "PD4", "7": "VCC", "8": "GND", "9": "crystal",
	"10": "crystal", "11": "PD5", "12": "PD6", "13": "PD7", "14": "PB0", "15": "PB1", "16": "PB2", "17": "PB3",
	"18": "PB4", "19": "PB5", "20": "AVCC", "21": "AREF", "22": "GND", "23": "PC0", "24": "PC1", "25": "PC2", "26": "PC3",
	"27": "PC4", "28": "PC5",
}

// place is one position of a header or of a chip as it is drawn.
type place struct{ position, name string }

// columns are the positions as they stand beside each other, from the top: two to a row.
func columns(serial bool) (rows [][2]place) {
	if serial {
		for i := 1; i <= 14; i++ {
			left, right := fmt.Sprint(i), fmt.Sprint(29-i)
			rows = append(rows, [2]place{{left, dil28[left]}, {right, dil28[right]}})
		}
		return rows
	}
	for i := 1; i <= 39; i += 2 {
		left, right := fmt.Sprint(i), fmt.Sprint(i+1)
		rows = append(rows, [2]place{{left, header40["P1_"+left]}, {right, header40["P1_"+right]}})
	}
	return rows
}
