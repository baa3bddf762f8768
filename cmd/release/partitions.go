package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// What a master boot record calls a partition's content.
const (
	partitionFAT   = 0x0C // FAT32 by block addresses
	partitionLinux = 0x83
)

const (
	blockBytes = 512
	alignBytes = 4 << 20 // memory cards erase in pieces of this size or of a power of two below it (common practice)
)

// partition is a file that becomes a partition of the card.
type partition struct {
	kind byte
	path string
}

// assemble writes a card's image: a master boot record with the disk's identifier, then the partitions, each beginning
// at a multiple of alignBytes. Zeros are left out of the file where the file system permits that.
func assemble(path string, id uint32, parts []partition) (err error) {
	out, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("the image: %w", err)
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	var record [blockBytes]byte
	binary.LittleEndian.PutUint32(record[440:], id)
	record[510], record[511] = 0x55, 0xAA
	at := int64(alignBytes)
	for i, p := range parts {
		size, err := copyAt(out, at, p.path)
		if err != nil {
			return fmt.Errorf("partition %d: %w", i+1, err)
		}
		size = (size + alignBytes - 1) / alignBytes * alignBytes
		putPartition(record[446+16*i:], p.kind, at, size)
		at += size
	}
	if _, err = out.WriteAt(record[:], 0); err == nil {
		err = out.Truncate(at)
	}
	return err
}

// putPartition writes one of the four entries of a master boot record (UEFI specification 2.10, 5.2.1). The fields for
// cylinders, heads and sectors say that the block addresses count.
func putPartition(entry []byte, kind byte, at, size int64) {
	copy(entry[1:4], "\xfe\xff\xff")
	entry[4] = kind
	copy(entry[5:8], "\xfe\xff\xff")
	binary.LittleEndian.PutUint32(entry[8:], uint32(at/blockBytes))
	binary.LittleEndian.PutUint32(entry[12:], uint32(size/blockBytes))
}

// copyAt copies a file into another one and returns its size. Blocks of zeros are skipped.
func copyAt(out *os.File, at int64, path string) (size int64, err error) {
	in, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer in.Close()
	buffer, zeros := make([]byte, 1<<20), make([]byte, 1<<20)
	for {
		n, err := io.ReadFull(in, buffer)
		if n > 0 && string(buffer[:n]) != string(zeros[:n]) {
			if _, err := out.WriteAt(buffer[:n], at+size); err != nil {
				return size, err
			}
		}
		size += int64(n)
		switch {
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
			return size, nil
		case err != nil:
			return size, err
		}
	}
}
