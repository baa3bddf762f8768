// Package picture makes the photograph that a scene and its light would have given: where the liquid is (scene.Water)
// and how it is lit and exposed (Light) in, pixels out. It is pure but for the threads it may use: the same input
// gives the same bytes with any number of them.
//
// # What is true and what is made up
//
// Rays follow Snell's law and Fresnel's equations through the liquid, are reflected totally where they must be, and
// lose light by Beer and Lambert's law; milk gives it back diffusely. The flash's light decays exponentially, or is cut
// off, and what moves is blurred by that. The lens is thin and has an opening: what is off the plane in focus is soft.
// Room light adds its share for as long as the shutter is open. Exposures are those of optics.Light. Place, size and
// speed of the liquid are the scene's, of a throw also where its middle layer is film, open, threads and drops (the
// scene's parcels). Its finer shape (how thick a crown's wall is, where fingers are, the layers before and behind) is
// made up from a seed, by eye. Left out: light that is reflected inside the liquid after it was refracted, and shadows.
//
// # How it is made
//
// A splash is a body of revolution: its signed distance is a table over radius and height (profile), waved around its
// axis (rim), joined smoothly to fingers and drops (parts, sorted into a grid). Rays march through that. The pool
// beyond is a height over the radius (waves). A throw is some layers with maps of edge, place and thickness (sheet),
// which a ray crosses as thin lenses, and spheroids that it meets in closed form (spray).
//
// One pixel in sixteen is traced first. Between those that differ little the rest is blended, elsewhere it is traced;
// edges and what stays restless get more samples. Small parts are marked beforehand, so that none is missed.
package picture
