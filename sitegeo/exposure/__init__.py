"""Wind on water: fetch, shelter, ripple and waves. Arrays in, arrays out."""
