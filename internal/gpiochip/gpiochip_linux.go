package gpiochip

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"unsafe"

	"golang.org/x/sys/unix"

	"stillwater/internal/devnode"
)

// Line flags of the uAPI, which golang.org/x/sys/unix does not name.
const (
	flagUsed        = 1 << 0
	flagActiveLow   = 1 << 1
	flagInput       = 1 << 2
	flagOutput      = 1 << 3
	flagEdgeRising  = 1 << 4
	flagEdgeFalling = 1 << 5
	flagPullUp      = 1 << 8
	flagPullDown    = 1 << 9
	flagNoBias      = 1 << 10
)

// ioctl retries when interrupted by a signal.
func ioctl(fd int, request uintptr, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg))
		if errno == 0 {
			return nil
		}
		if errno != unix.EINTR {
			return errno
		}
	}
}

func openChip(path string) (int, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err == nil {
		return fd, nil
	}
	e := &Error{Where: path, What: "cannot be opened", Err: err}
	switch {
	case errors.Is(err, fs.ErrPermission):
		e.Remedy = "no group may open it: install Stillwater's package, whose udev rule changes that, or run it as root"
		if group := devnode.Group(path); group != "" {
			e.Remedy = "add the user to the group " + group + " and log in again"
		}
	case errors.Is(err, fs.ErrNotExist):
		e.Remedy = "look at the chips in /dev/gpiochip*"
	}
	return -1, e
}

// Chips lists the GPIO chips, each with one device node only. With an error it lists those that answered.
func Chips() ([]Chip, error) {
	paths, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return nil, err
	}
	var chips []Chip
	var errs []error
	for _, path := range paths {
		if real, err := filepath.EvalSymlinks(path); err != nil || real != path {
			continue
		}
		c, err := chipAt(path)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if !slices.ContainsFunc(chips, func(o Chip) bool { return o.Name == c.Name }) {
			chips = append(chips, c)
		}
	}
	return chips, errors.Join(errs...)
}

func chipAt(path string) (Chip, error) {
	fd, err := openChip(path)
	if err != nil {
		return Chip{}, err
	}
	defer unix.Close(fd)
	var info unix.GPIOChipInfo
	if err := ioctl(fd, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
		return Chip{}, &Error{Where: path, What: "is no GPIO chip", Err: err}
	}
	return Chip{Path: path, Name: text(info.Name[:]), Label: text(info.Label[:]), Lines: int(info.Lines)}, nil
}

func text(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return string(b)
}

// Lines describes all lines of a chip.
func Lines(c Chip) ([]LineInfo, error) {
	fd, err := openChip(c.Path)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fd)
	lines := make([]LineInfo, c.Lines)
	for i := range lines {
		if lines[i], err = lineInfo(fd, c, i); err != nil {
			return nil, err
		}
	}
	return lines, nil
}

func lineInfo(fd int, c Chip, number int) (LineInfo, error) {
	info := unix.GPIOV2LineInfo{Offset: uint32(number)}
	l := LineInfo{Chip: c, Number: number}
	if err := ioctl(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
		return l, &Error{Where: l.String(), What: "cannot be asked about", Remedy: ErrUnsupported.Error(), Err: err}
	}
	l.Name, l.Consumer, l.Used = text(info.Name[:]), text(info.Consumer[:]), info.Flags&flagUsed != 0
	l.Output = info.Flags&flagOutput != 0
	return l, nil
}

// request holds lines of one chip: bit i of the kernel's masks is line number[i] of the chip and index pin[i] of the
// caller.
type request struct {
	fd     int
	chip   Chip
	pin    []uint8
	number []uint32
}

// open requests lines of one chip from the kernel, all or none.
func open(consumer string, lines []LineInfo, indices []int, config unix.GPIOV2LineConfig, queue uint32) (
	*request, error,
) {
	chip := lines[indices[0]].Chip
	fd, err := openChip(chip.Path)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fd)
	r := &request{chip: chip}
	ask := unix.GPIOV2LineRequest{Config: config, Num_lines: uint32(len(indices)), Event_buffer_size: queue}
	copy(ask.Consumer[:len(ask.Consumer)-1], consumer)
	for i, index := range indices {
		ask.Offsets[i] = uint32(lines[index].Number)
		r.pin = append(r.pin, uint8(index))
		r.number = append(r.number, ask.Offsets[i])
	}
	if err := ioctl(fd, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&ask)); err != nil {
		return nil, refusalError(fd, chip, lines, indices, err)
	}
	r.fd = int(ask.Fd)
	unix.CloseOnExec(r.fd)
	if err := unix.SetNonblock(r.fd, true); err != nil {
		unix.Close(r.fd)
		return nil, &Error{Where: chip.Name, What: "lines cannot be read without waiting", Err: err}
	}
	return r, nil
}

// refusalError finds out which of the lines the kernel would not give, and who has it.
func refusalError(fd int, chip Chip, lines []LineInfo, indices []int, err error) error {
	e := &Error{Where: chip.Name, What: "lines were refused", Err: err}
	var numbers []int
	for _, index := range indices {
		numbers = append(numbers, lines[index].Number)
		now, infoErr := lineInfo(fd, chip, lines[index].Number)
		if infoErr != nil || !now.Used || !errors.Is(err, unix.EBUSY) {
			continue
		}
		e.Where, e.What = now.String(), "is in use"
		if now.Consumer != "" {
			e.What += fmt.Sprintf(" by %q", now.Consumer)
		}
		e.Remedy = "stop what holds it, or use another line"
		return e
	}
	e.What = fmt.Sprintf("lines %v were refused", numbers)
	if isUnsupported(err) {
		e.Remedy = "this chip may not do edges, bias or debounce on these lines: leave bias and debounce out, or use others"
	}
	return e
}

func (r *request) values(mask uint64) (uint64, error) {
	v := unix.GPIOV2LineValues{Mask: mask}
	if err := ioctl(r.fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return 0, err
	}
	return v.Bits, nil
}

// attributeSet gives each value the lines that want it, in one attribute of the kernel's ten.
type attributeSet struct {
	config unix.GPIOV2LineConfig
	err    error
}

func (a *attributeSet) set(id uint32, value uint64, line int) {
	for i := range a.config.Attrs[:a.config.Num_attrs] {
		if at := &a.config.Attrs[i]; at.Attr.Id == id && at.Attr.Flags == value {
			at.Mask |= 1 << line
			return
		}
	}
	if int(a.config.Num_attrs) == len(a.config.Attrs) {
		a.err = errors.New("too many different settings on one chip: give its lines the same debounce")
		return
	}
	at := &a.config.Attrs[a.config.Num_attrs]
	at.Attr = unix.GPIOV2LineAttribute{Id: id, Flags: value}
	at.Mask = 1 << line
	a.config.Num_attrs++
}

// Inputs are input lines that the process holds; the kernel stamps and queues their edges.
type Inputs struct {
	requests    []*request
	counters    []lossCounter
	undebounced []int
	rawEvents   [queueLen]unix.GPIOV2LineEvent
}

// OpenInputs requests the lines, one request a chip. Event.Input and level bits are indices into inputs. A debounce
// that the chip refuses is omitted: see Undebounced.
func OpenInputs(consumer string, inputs []InputRequest) (*Inputs, error) {
	lines := make([]LineInfo, len(inputs))
	for i, input := range inputs {
		lines[i] = input.Line
	}
	groups, err := groupByChip(lines)
	if err != nil {
		return nil, err
	}
	in := &Inputs{}
	for _, indices := range groups {
		r, without, err := openInputs(inputs, indices, func(c unix.GPIOV2LineConfig) (*request, error) {
			return open(consumer, lines, indices, c, queueLen)
		})
		if err != nil {
			return nil, errors.Join(err, in.Close())
		}
		in.requests = append(in.requests, r)
		in.counters = append(in.counters, lossCounter{lines: len(indices)})
		in.undebounced = append(in.undebounced, without...)
	}
	return in, nil
}

// openInputs requests the lines of one chip; if the chip refuses, again without debounce. It returns the inputs that
// then have none.
func openInputs(inputs []InputRequest, indices []int, ask func(unix.GPIOV2LineConfig) (*request, error)) (
	r *request, without []int, err error,
) {
	config, err := inputConfig(inputs, indices)
	if err != nil {
		return nil, nil, err
	}
	r, err = ask(config)
	if err == nil || !isUnsupported(err) {
		return r, nil, err
	}
	plain := slices.Clone(inputs)
	for _, index := range indices {
		if plain[index].Debounce > 0 {
			plain[index].Debounce = 0
			without = append(without, index)
		}
	}
	if len(without) == 0 {
		return nil, nil, err
	}
	if config, err = inputConfig(plain, indices); err != nil {
		return nil, nil, err
	}
	if r, err = ask(config); err != nil {
		return nil, nil, err
	}
	return r, without, nil
}

// isUnsupported reports whether the chip lacks a requested feature, as opposed to the line being in use. The last errno
// is the kernel's internal ENOTSUPP, which leaks to user space.
func isUnsupported(err error) bool {
	for _, errno := range []unix.Errno{unix.EINVAL, unix.ENXIO, unix.EOPNOTSUPP, unix.ENOSYS, unix.ERANGE, 524} {
		if errors.Is(err, errno) {
			return true
		}
	}
	return false
}

func inputConfig(inputs []InputRequest, indices []int) (unix.GPIOV2LineConfig, error) {
	const inputFlags = flagInput | flagEdgeRising | flagEdgeFalling
	bias := [...]uint64{AsIs: 0, PullUp: flagPullUp, PullDown: flagPullDown, NoBias: flagNoBias}
	a := attributeSet{config: unix.GPIOV2LineConfig{Flags: inputFlags}}
	for i, index := range indices {
		in := inputs[index]
		if in.Bias != AsIs {
			a.set(unix.GPIO_V2_LINE_ATTR_ID_FLAGS, inputFlags|bias[in.Bias], i)
		}
		if us := in.Debounce.Microseconds(); us > 0 {
			a.set(unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, debounceValue(uint32(us)), i)
		}
	}
	return a.config, a.err
}

// debounceValue puts a 32-bit value into a union with a 64-bit one: the first four bytes.
func debounceValue(us uint32) uint64 {
	var v uint64
	*(*uint32)(unsafe.Pointer(&v)) = us
	return v
}

// Undebounced lists the inputs whose chip refused the requested debounce: their bounce is reported, and the caller's to
// ignore.
func (in *Inputs) Undebounced() []int { return in.undebounced }

// Len is the number of chips: Fd and Read take 0 to Len-1.
func (in *Inputs) Len() int { return len(in.requests) }

// Fd is the descriptor that becomes readable when chip i has edges.
func (in *Inputs) Fd(i int) int { return in.requests[i].fd }

// Read reads the queued edges of chip i into b, which it empties first, without blocking. It allocates only when b is
// too small.
func (in *Inputs) Read(i int, b *Batch) error {
	b.Events, b.Lost, b.Gap = b.Events[:0], [MaxLines]uint32{}, false
	r := in.requests[i]
	const size = int(unsafe.Sizeof(in.rawEvents[0]))
	n, err := unix.Read(r.fd, unsafe.Slice((*byte)(unsafe.Pointer(&in.rawEvents)), size*len(in.rawEvents)))
	if err == unix.EAGAIN || err == unix.EINTR {
		return nil
	}
	if err != nil {
		return &Error{Where: r.chip.Name, What: "edges cannot be read", Remedy: "was the chip taken away?", Err: err}
	}
	in.addEvents(i, b, in.rawEvents[:n/size])
	return nil
}

func (in *Inputs) addEvents(i int, b *Batch, rawEvents []unix.GPIOV2LineEvent) {
	r, l := in.requests[i], &in.counters[i]
	full := len(rawEvents) == queueLen
	for k := range rawEvents {
		e := &rawEvents[k]
		local := slices.Index(r.number, e.Offset)
		if local < 0 {
			continue
		}
		l.add(b, local, r.pin[local], e.Seqno, e.Line_seqno, full)
		b.Events = append(b.Events, Event{Input: r.pin[local], At: int64(e.Timestamp_ns),
			High: e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE})
		b.sortLast()
	}
	l.settle(b, r.pin)
}

// Levels reads all inputs now, bit 1 high.
func (in *Inputs) Levels() (uint8, error) { return levels(in.requests) }

func levels(requests []*request) (uint8, error) {
	var levels uint8
	for _, r := range requests {
		bits, err := r.values(1<<len(r.pin) - 1)
		if err != nil {
			return 0, &Error{Where: r.chip.Name, What: "levels cannot be read", Remedy: "was the chip taken away?", Err: err}
		}
		for i, pin := range r.pin {
			levels |= uint8(bits>>i&1) << pin
		}
	}
	return levels, nil
}

// Close releases the lines.
func (in *Inputs) Close() error {
	var errs []error
	for _, r := range in.requests {
		errs = append(errs, unix.Close(r.fd))
	}
	in.requests = nil
	return errors.Join(errs...)
}

// Outputs are requested output lines. A level bit of 1 is on, whatever the polarity.
type Outputs struct {
	requests []*request
	outputs  []OutputRequest
	mapped   *registerBank // nil: the kernel sets them
}

// OpenOutputs requests the lines at their off level, without a glitch.
func OpenOutputs(consumer string, outputs []OutputRequest) (*Outputs, error) {
	lines := make([]LineInfo, len(outputs))
	for i, output := range outputs {
		lines[i] = output.Line
	}
	groups, err := groupByChip(lines)
	if err != nil {
		return nil, err
	}
	out := &Outputs{outputs: slices.Clone(outputs)}
	for _, indices := range groups {
		config, err := outputConfig(outputs, indices)
		if err == nil {
			var r *request
			if r, err = open(consumer, lines, indices, config, 0); err == nil {
				out.requests = append(out.requests, r)
			}
		}
		if err != nil {
			return nil, errors.Join(err, out.Close())
		}
	}
	return out, nil
}

func outputConfig(outputs []OutputRequest, indices []int) (unix.GPIOV2LineConfig, error) {
	a := attributeSet{config: unix.GPIOV2LineConfig{Flags: flagOutput}}
	for i, index := range indices {
		if outputs[index].ActiveLow {
			a.set(unix.GPIO_V2_LINE_ATTR_ID_FLAGS, flagOutput|flagActiveLow, i)
		}
		a.set(unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, 0, i)
	}
	return a.config, a.err
}

// Map makes Set write the chip's registers from now on instead of calling the kernel, which keeps the lines. If this
// machine has no registers for all outputs, the error says what to do and nothing changes.
func (out *Outputs) Map(host Host) error {
	if err := Mappable(host, linesOf(out.outputs)); err != nil {
		return err
	}
	r, err := loadRegisters(host)
	if err != nil {
		return err
	}
	b, err := newRegisterBank(r, out.outputs)
	if err != nil {
		return err
	}
	out.mapped = b
	return nil
}

// Drive describes how Set drives the lines: the end of a sentence.
func (out *Outputs) Drive() string {
	if out.mapped != nil {
		return "the processor's registers: one write for all that go high, one for all that go low"
	}
	return "the kernel: one call a chip"
}

// Set sets the outputs in mask: one call to the kernel for each chip concerned, or by the registers if they are mapped.
// It continues with the other chips when one fails.
func (out *Outputs) Set(mask, levels uint8) error {
	if out.mapped != nil {
		out.mapped.set(mask, levels)
		return nil
	}
	return out.setByKernel(mask, levels)
}

func (out *Outputs) setByKernel(mask, levels uint8) error {
	var first error
	for _, r := range out.requests {
		var v unix.GPIOV2LineValues
		for i, pin := range r.pin {
			v.Mask |= uint64(mask>>pin&1) << i
			v.Bits |= uint64(levels>>pin&1) << i
		}
		if v.Mask == 0 {
			continue
		}
		if err := ioctl(r.fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil && first == nil {
			first = &Error{Where: r.chip.Name, What: "outputs cannot be set", Remedy: "was the chip taken away?", Err: err}
		}
	}
	return first
}

// Levels reads the outputs back from the kernel, bit 1 on.
func (out *Outputs) Levels() (uint8, error) { return levels(out.requests) }

// Close switches all outputs off, by the kernel, and releases the lines. What a line does then depends on the driver:
// some keep driving it, some make it an input again. Hardware must hold it off.
func (out *Outputs) Close() error {
	errs := []error{out.setByKernel(0xFF, 0)}
	for _, r := range out.requests {
		errs = append(errs, unix.Close(r.fd))
	}
	out.requests, out.mapped = nil, nil
	return errors.Join(errs...)
}

// checkMapping returns why this process cannot map a page of registers, or nil. It unmaps it again and neither reads
// nor writes.
func checkMapping(path string, offset int64) error {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_SYNC|unix.O_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(fd)
	page, err := unix.Mmap(fd, offset, os.Getpagesize(), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return err
	}
	return unix.Munmap(page)
}
