//go:build !unix

package main

import "os"

func deviceAndInode(*os.File) string { return "" }
