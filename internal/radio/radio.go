// Package radio keeps the country by whose rules a machine's Wi-Fi is used: two letters in a file. The page, which has
// no rights on the machine, writes it; a unit that has them reads it and configures the kernel.
package radio

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"stillwater/internal/textfile"
)

// maxFile is more than the file ever has, in bytes.
const maxFile = 16

// File is the file with the country.
type File string

// Country is the country that was chosen, "" for none: then the radio keeps to what is allowed everywhere. The error
// means that the file cannot be read or does not hold a country.
func (f File) Country() (code string, err error) {
	text, err := textfile.Read(string(f), maxFile)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err == nil {
		if code = strings.TrimSpace(string(text)); code != "" {
			err = check(code)
		}
	}
	if err != nil {
		return "", fmt.Errorf("the country of the Wi-Fi, in %s: %w", string(f), err)
	}
	return code, nil
}

// SetCountry chooses a country of Countries; it is on the disk afterwards.
func (f File) SetCountry(code string) error {
	if err := check(code); err != nil {
		return err
	}
	if err := textfile.Replace(string(f), []byte(code+"\n"), 0o600); err != nil {
		return fmt.Errorf("keep the country: %w", err)
	}
	return nil
}

// ErrUnknown means that no rules are known for a country.
var ErrUnknown = errors.New("no country of which the rules for Wi-Fi are known")

func check(code string) error {
	if !slices.Contains(Countries(), code) {
		return fmt.Errorf("%.8q: %w; give two letters, such as DE for Germany", code, ErrUnknown)
	}
	return nil
}

// Countries lists the countries to choose from.
func (f File) Countries() []string { return Countries() }

// Countries lists the countries whose rules the kernel knows, by the two letters of ISO 3166-1. Source: the file
// regulatory.db of Debian's package wireless-regdb 2026.05.30.
func Countries() []string {
	return strings.Fields(`AD AE AF AI AL AM AN AR AS AT AU AW AZ BA BB BD BE BF BG BH BL BM BN BO BR BS BT BW BY BZ CA CF
		CH CI CL CN CO CR CU CX CY CZ DE DK DM DO DZ EC EE EG ES ET FI FM FO FR GB GD GE GF GH GI GL GP GR GT GU GY HK HN HR
		HT HU ID IE IL IM IN IR IS IT JM JO JP KE KH KN KP KR KW KY KZ LB LC LI LK LS LT LU LV MA MC MD ME MF MH MK MN MO MP
		MQ MR MT MU MV MW MX MY NA NG NI NL NO NP NZ OM PA PE PF PG PH PK PL PM PR PT PW PY QA RE RO RS RU RW SA SE SG SI SK
		SM SN SR SV SX SY TC TD TG TH TN TR TT TW TZ UA UG US UY UZ VA VC VE VI VN VU WF WS YE YT ZA ZW`)
}
